"""The command line: files and options → the chain of the pipeline → text, data or a workbook, and an exit code."""

from optimizer.cli.adapters import adapters
from optimizer.cli.calibrate import calibrate
from optimizer.cli.commands import main
from optimizer.cli.report import draw, report

main.add_command(adapters)
main.add_command(calibrate)
main.add_command(draw)
main.add_command(report)

__all__ = ["main"]
