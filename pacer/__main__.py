"""The program's way in, `pacer` and `python -m pacer`: an interrupt is heard before anything is imported."""


def entrypoint() -> None:
    """Run the program; Ctrl-C while its modules load ends it as at any other time."""
    try:
        from pacer.cli.app import entrypoint as run

        run()
    except KeyboardInterrupt:
        _stop()
    finally:
        _deaf()


def _stop() -> None:
    import sys

    _deaf()
    sys.stderr.write("pacer: interrupted; nothing was written\n")
    raise SystemExit(130) from None


def _deaf() -> None:
    """What is said and done by now stands: a late interrupt can't spoil the message or the exit code."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)


if __name__ == "__main__":
    entrypoint()
