"""The command line: files and options → the chain of the pipeline → text, data or a workbook, and an exit code."""

from optimizer.cli.adapters import adapters
from optimizer.cli.calibrate import calibrate
from optimizer.cli.commands import main
from optimizer.cli.many import many, vary
from optimizer.cli.meters import meters
from optimizer.cli.open import open_page
from optimizer.cli.price import price
from optimizer.cli.report import draw, report
from optimizer.cli.search import compare, explain, frontier
from optimizer.cli.settings import settings
from optimizer.cli.stores import stores

main.add_command(adapters)
main.add_command(calibrate)
main.add_command(compare)
main.add_command(draw)
main.add_command(explain)
main.add_command(frontier)
main.add_command(many)
main.add_command(meters)
main.add_command(open_page)
main.add_command(price)
main.add_command(report)
main.add_command(settings)
main.add_command(stores)
main.add_command(vary)

__all__ = ["main"]
