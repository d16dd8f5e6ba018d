"""`python -m pacer` is `pacer`."""

from pacer.cli import entrypoint

if __name__ == "__main__":
    entrypoint()
