"""What is printed is said in words of the trade: home-made and stiff ones of old do not come back.

The words are common practice, no source. File keys are another matter: they stay as files have them.
"""

from __future__ import annotations

import io
import re
import sys
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import planned_examples
import pytest
from click.testing import CliRunner
from own_source import MODULES, source

from optimizer import pipeline
from optimizer.cli import main
from optimizer.documents import flows_text, found, text
from optimizer.documents.report import report_page
from optimizer.documents.report_facts import report_facts
from optimizer.documents.settings_card import card_blocks, card_page
from optimizer.documents.tables import plain_text
from optimizer.documents.terms import terms, terms_markdown
from optimizer.documents.workbook import workbook_bytes
from optimizer.read.places import data_directory

sys.path.insert(0, str(Path(__file__).parent / "cli"))
from readme import terms_table

# each with the word that took its place
OLD = {
    r"\btills?\b": "store total",
    r"\bMind\b": "Note, or Warning where it can hurt",
    r"\bmarr(y|ies)\b": "connects, adapts",
    r"\bopen joints?\b": "not connected yet",
    r"\bfloor of the dial\b": "minimum speed",
    r"\bdial of\b": "speed setting of",
    r"\bwanted\b": "target",
    r"\b8 times of 10\b": "80 % range",
    r"\bfastest water\b": "highest velocity",
    r"\bleast flows?\b": "minimum flow",
    r"(?<!can be )\breached\b": "of target",
    r"\bleast lossy\b|\bless lossy\b": "lowest-loss",
    r"\bwhat (would )?frees? it\b|\bwould free it\b": "what would make it possible",
    r"\bworking drain\b": "main drain",
    r"\bwhat runs back\b|\bwater that runs back\b": "drain-back",
    r"\bbefore it is back\b": "sump draw-down at start-up",
    r"\beverything shut\b": "shut-off pressure",
    r"\bthe most is\b": "limit",
    r"\bof its lift\b": "of its turns",
    r"° from open\b": "from fully open",
    r"\bcan leak at\b": "joints",
    r"\bunbolts\b": "comes apart",
    r"\bcement, twice\b": "two cemented joints on a short pipe",
    r"\bWhat flows\b": "Flows",
    r"\bWhere the head goes\b": "Head losses",
    r"\bway of the water\b": "flow direction",
    r"\bside by side\b": "in parallel",
    r"\bbelievable\b|\babsurd\b": "plausible, implausible",
    r"\bto begin with\b": "initial",
    r"\bweighed\b": "considered",
    r"\bworked out\b": "calculated",
    r"\b[Cc]an not\b": "cannot",
    r"\bhome store\b": "home center",
    r"(?<!first )(?<!valve )\bsticks?\b(?! open| sometimes)": "length",
    r"\b[Tt]ake-out\b|\b[Tt]ake out\b": "removed parts, remove",
    r"(?<!Store's )\bpart no\.": "position",
    r"\b[Tt]oo low below\b|\b[Tt]oo high above\b": "clogged if under, disconnected if over",
    r"\bUS pint\b": "fl oz",
    r"\bcentres?\b|\bneighbours?\b|\bvapour\b|\blabour\b|\bsteriliser\b|\bpressurised\b": "American spelling",
    r"\b[Pp]roved\b": "proven",
    r"\bsomebody\b": "someone",
    r"\bnot plumbed yet\b": "not connected yet",
    r"\bparted by\b|\bcomma-parted\b": "separated by",
    r"\bletters and signs\b|\b\d+ signs\b": "characters",
    r"\b[Ww]orking out\b": "calculating",
    r"\b[Ww]eigh(s|ing)?\b": "considers, prices",
    r"\bnow and then\b": "regularly",
    r"\bout of account\b|\bcounted in here\b": "not counted, not included",
    r"\b[Aa] area\b": "an area",
    r"\bany more\b": "no longer",
    r"\bUndo leads? back\b": "takes it back",
    r"\ba line\b(?=, as its|<)|\bone a line\b": "one per line",
    r"\bwith commas between\b": "separated by commas",
    r"\b(of|from) the shelf\b": "from the catalog",
    r"\bstands? nowhere\b": "is not in a run yet",
    r"\bbeside each other\b|\bbeside another\b": "compared",
    r"\bfor what stood before\b|\bis lost by that\b": "has been changed since, will be lost",
    r"\bsitting\b": "session, or name what was saved",
    r"\b[Tt]hrow (it|them) away\b|\b[Tt]ake them up\b": "discard, restore",
    r"\b[Ee]nd it at once\b": "cancel",
    r"\bit takes [\d.,]+ \S+ at the largest flow\b|\blargest flow\b": "highest flow",
    r"\btoo (slow|fast) for it\b": "below its range, above its range",
    r"\blies level\b|\bits arrow with the water\b": "is level, its arrow in flow direction",
    r"\bthe two ends go together\b|\bwhere plastic ones do it\b": "the two ends mate, do the job",
    r"\bsomething that is known\b|\bnothing that is known\b": "something unknown",
    r"\b[Tt]he disk has\b": "from disk",
    r"\bshall\b": "should, is",
    r"\bnothing is asked\b": "no target",
}
TEMPLATES = sorted((Path(__file__).parents[1] / "optimizer" / "web" / "templates").glob("*.html"))
FILES = sorted(data_directory("examples").rglob("*.yaml"))
KEYS_TOLD = (
    "found.py",
    "terms.py",
    "adding.py",
    "forms.py",
    "section_forms.py",
    "edit_views.py",
    "fault_views.py",
)  # they name a word of the system file, or of the data
STATES = re.compile(r"\bgal/h\b|\bdegF\b")  # gph and °F in the US system


def old_words(told: str) -> list[str]:
    """Return the old words in a text, each with what stands around it and the word that took its place."""
    return [
        f"{told[max(0, found.start() - 30) : found.end() + 20]!r}: {better}"
        for pattern, better in OLD.items()
        for found in re.finditer(pattern, told)
    ]


class Words(HTMLParser):
    """The text of a page, without its style."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.told: list[str] = []
        self.inside = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.inside = tag

    def handle_data(self, data: str) -> None:
        if self.inside != "style":
            self.told.append(data)


@cache
def printed(name: str) -> dict[str, str]:
    """Return what the commands print of an example, and what stands in its workbook and on its page."""
    report, taken = planned_examples.taken_off(name)
    card, system = planned_examples.card_of(name), report.system
    solution, losses = pipeline.losses(system)
    facts = report_facts(report, card=card, taken=taken)
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(report, taken=taken, card=card, facts=facts)))
    cells = [str(cell) for sheet in book for row in sheet.iter_rows(values_only=True) for cell in row if cell]
    return {
        "check": plain_text(found.check_blocks(system, planned_examples.searched(name)[1])),
        "flow": plain_text(flows_text.flow_blocks(system, solution)),
        "losses": plain_text(flows_text.loss_blocks(system, losses)),
        "plan": plain_text(text.plan_blocks(report)),
        "settings": plain_text(card_blocks(card)),
        "workbook": "\n".join(cells),
        "report": "\n".join(Words(report_page(facts)).told),
        "card": "\n".join(Words(card_page(card)).told),
    }


@pytest.mark.parametrize("name", planned_examples.each(planned_examples.ALL))
def test_no_old_word_is_printed_of_an_example(name: str) -> None:
    for where, told in printed(name).items():
        assert old_words(told) == [], where


def test_the_readme_has_the_table_of_terms_as_it_is() -> None:
    assert terms_table() == terms_markdown()


def test_every_term_is_told_once_and_without_an_old_word() -> None:
    words = [term.word for term in terms()]

    assert len(words) == len(set(words))
    assert [old for term in terms() for old in old_words(term.meaning.replace("“take-out”", ""))] == []


@pytest.mark.long
def test_american_units_are_written_the_american_way() -> None:
    for where, told in printed("cellar-sump").items():
        assert STATES.findall(told) == [], where


@pytest.mark.parametrize("package", ["documents", "cli", "web", "wording"])
def test_no_old_word_stands_in_the_source_of_what_is_printed(package: str) -> None:
    files = [file for file in MODULES if file.parts[1] == package and file.name not in KEYS_TOLD]

    assert {file.name: old for file in files if (old := [o for s in source(file).literals for o in old_words(s)])} == {}


@pytest.mark.parametrize("package", ["verify", "search", "takeoff", "hydraulics", "choices"])
def test_no_old_word_stands_in_what_the_search_and_the_checks_say(package: str) -> None:
    files = [file for file in MODULES if file.parts[1] == package]

    assert {file.name: old for file in files if (old := [o for s in source(file).literals for o in old_words(s)])} == {}


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: path.stem)
def test_no_old_word_stands_on_the_page(template: Path) -> None:
    told = re.sub(r"{[%{#].*?[%}#]}", " ", template.read_text(encoding="utf-8"), flags=re.DOTALL)

    assert old_words(" ".join(" ".join(Words(told).told).split())) == []


@pytest.mark.long
@pytest.mark.parametrize("name", ["house-water", "cellar-sump"])
@pytest.mark.parametrize("command", ["meters", "adapters"])
def test_no_old_word_is_printed_of_meters_and_adapters(command: str, name: str) -> None:
    result = CliRunner().invoke(main, [command, str(data_directory("examples") / f"{name}.yaml")])

    assert result.exit_code == 0
    assert old_words(result.stdout) == []


@pytest.mark.parametrize("file", FILES, ids=lambda path: path.stem)
def test_no_old_word_stands_in_a_shipped_file(file: Path) -> None:
    comments = " ".join(re.findall(r"#(.*)", file.read_text(encoding="utf-8")))

    keys = ("how: side by side", "open joint  ")
    assert [one for one in old_words(comments) if not any(key in one for key in keys)] == []


def test_no_old_word_is_in_the_help_of_a_command() -> None:
    for name in ("", *main.commands):
        told = CliRunner().invoke(main, [*([name] if name else []), "--help"]).output
        assert old_words(told) == [], name


@pytest.mark.slow
@pytest.mark.parametrize("command", ["frontier", "compare", "explain", "adapters", "calibrate"])
def test_no_old_word_is_printed_by_the_longer_commands(command: str) -> None:
    file = "measured-return" if command == "calibrate" else "single-return"
    result = CliRunner().invoke(main, [command, str(data_directory("examples") / f"{file}.yaml")])

    assert result.exit_code == 0
    assert old_words(result.stdout) == []
