"""The program's way in, `pacer` and `python -m pacer`: an interrupt is heard before anything is imported."""


def entrypoint() -> None:
    """Run the program; Ctrl-C while its modules load ends it as at any other time."""
    try:
        from pacer.cli.app import entrypoint as run

        run()
    except KeyboardInterrupt:
        _stop()


def _stop() -> None:
    import signal
    import sys

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a second one can't spoil the message
    sys.stderr.write("pacer: interrupted; nothing was written\n")
    raise SystemExit(130) from None


if __name__ == "__main__":
    entrypoint()
