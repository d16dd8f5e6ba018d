"""Command line: joins files, workflow and render; options, exit codes, error to message, progress."""

from pacer.cli.app import entrypoint

__all__ = ["entrypoint"]
