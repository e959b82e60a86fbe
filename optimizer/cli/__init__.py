"""The command line: files and options → the chain of the pipeline → text, data or a workbook, and an exit code."""

from optimizer.cli.commands import main

__all__ = ["main"]
