"""One row of a catalog file → a catalog item, a socket depth, a family or a price, shelved under its key."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeVar

from optimizer.errors import Fault
from optimizer.model.catalog import BASES, PIPES, CatalogItem, Kind, LossData, LossMethod, Source
from optimizer.model.ends import End, Form
from optimizer.model.kinds import KINDS, MACHINES
from optimizer.model.materials import MATERIALS, WORDS, material_named
from optimizer.model.meters import MeterData
from optimizer.model.network import Pump
from optimizer.read.columns import Row, nearest
from optimizer.read.descriptions import consumable_words, piece_words, pipe_words
from optimizer.read.words import nominal_number
from optimizer.unit_words import METRES_PER_INCH
from optimizer.units import PASCALS_PER_BAR

MOST_BORE_RATIO = 4.0  # to the nominal size, either way; real ones are within 2.1 (1/8 in. threads are the worst)
MOST_GUESSES = 20  # each looks at every id there is
CONSUMABLE_USES = ("cement", "ABS cement", "transition cement", "primer", "tape", "washer", "clamp")
LOSS_COLUMNS: Mapping[LossMethod, tuple[str, ...]] = {
    LossMethod.THREE_K: ("k1", "ki", "kd", "nominal_in"),
    LossMethod.TWO_K: ("k1", "kinf"),
    LossMethod.CRANE: ("l_over_d",),
    LossMethod.KV: ("kv_m3_h",),
    LossMethod.K: ("k",),
    LossMethod.BORES: (),
    LossMethod.TEE: (),
    LossMethod.NONE: (),
}
COEFFICIENTS = ("k1", "ki", "kd", "nominal_in", "kinf", "l_over_d", "kv_m3_h", "k")
END_COLUMNS = tuple((f"end_{n}", f"bore_{n}_mm", f"take_out_{n}_mm") for n in (1, 2, 3, 4))
_PIPE_KINDS = tuple(str(kind) for kind in Kind if kind in PIPES)
_NOT_PIECES = PIPES | MACHINES | {Kind.OPEN_JOINT, Kind.CONSUMABLE}
_PIECE_KINDS = tuple(str(kind) for kind in Kind if kind not in _NOT_PIECES)
_LOSS_LEFT_EMPTY = {
    method: tuple(name for name in COEFFICIENTS if name not in taken) for method, taken in LOSS_COLUMNS.items()
}


@dataclass
class Shelf:
    """What has been read so far. A later file overrides rows of an earlier one by id."""

    sources: dict[str, Source] = field(default_factory=dict)
    items: dict[str, CatalogItem] = field(default_factory=dict)
    places: dict[str, str] = field(default_factory=dict)  # where each item's currency was read
    depths_m: dict[End, float] = field(default_factory=dict)
    families: dict[str, tuple[str, ...]] = field(default_factory=dict)
    packs: dict[str, dict[str, int]] = field(default_factory=dict)
    pumps: dict[str, Pump] = field(default_factory=dict)
    meters: dict[str, MeterData] = field(default_factory=dict)
    own: set[str] = field(default_factory=set)  # ids that the owner's files added or priced
    faults: list[Fault] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


_Otherwise = TypeVar("_Otherwise", Kind, None)
Seen = dict[tuple[str, str], str]  # (column, key) that a file, or the shipped ones together, had, with the row's place
Reader = Callable[[Row, Shelf, Seen], None]


def read_pipe(row: Row, shelf: Shelf, seen: Seen) -> None:
    """Shelve a row of pipe, hose or tube."""
    end, family = row.end("end"), row.required("family")
    kind = _kind(row, _PIPE_KINDS, Kind.PIPE)
    bore_m = row.metres("bore_average_mm", above=True)
    widest_m = row.metres("bore_min_wall_mm", above=True)
    outside_m = row.metres("outside_diameter_mm", above=True)
    roughness_m, sale_length_m = row.metres("roughness_mm"), row.number_in("sale_length_m", above=True)
    if row.sound and not bore_m <= widest_m < outside_m:
        row.fault("bore_average_mm", "at most bore_min_wall_mm, and that below outside_diameter_mm")
    words = pipe_words(kind, end.size, family)
    item = item_of(row, kind, words, family, (end, end), (bore_m, bore_m), (0.0, 0.0), LossData(LossMethod.NONE))
    item = replace(
        item,
        sale_length_m=sale_length_m,
        outside_diameter_m=outside_m,
        bore_min_wall_m=widest_m,
        roughness_m=roughness_m,
    )
    shelve(item, row, shelf, seen)


def read_piece(row: Row, shelf: Shelf, seen: Seen) -> None:
    """Shelve a row of a fitting, a valve or an adapter."""
    family, material = row.required("family"), material_of(row)
    kind = _kind(row, _PIECE_KINDS, None)
    ends, bores_m, take_outs_m = _read_ends(row, kind)
    loss = _read_loss(row, shelf)
    kind = kind or Kind.ADAPTER  # of a row that is lost already
    words = piece_words(kind, row.text("trade_name"), family, material, ends)
    shelve(item_of(row, kind, words, family, ends, bores_m, take_outs_m, loss), row, shelf, seen)


def _kind(row: Row, allowed: tuple[str, ...], otherwise: _Otherwise) -> Kind | _Otherwise:
    text = row.one_of("kind", allowed)
    return Kind(text) if text in allowed else otherwise


def _read_ends(row: Row, kind: Kind | None) -> tuple[tuple[End, ...], tuple[float, ...], tuple[float, ...]]:
    count = KINDS[kind].ends if kind else sum(bool(row.text(columns[0])) for columns in END_COLUMNS)
    for columns in END_COLUMNS[count:]:
        for name in columns:
            if row.text(name):
                row.fault(name, f"an empty cell: kind {kind} has {count} end{'s' if count > 1 else ''}")
    used = END_COLUMNS[:count]
    ends = tuple(row.end(end) for end, _, _ in used)
    bores_m = tuple(row.metres(bore, above=True) for _, bore, _ in used)
    take_outs_m = tuple(row.metres(take_out) for _, _, take_out in used)
    if row.sound:
        for (_, column, _), end, bore_m in zip(used, ends, bores_m, strict=True):
            _check_bore(row, column, end, bore_m)
    return ends, bores_m, take_outs_m


def _check_bore(row: Row, column: str, end: End, bore_m: float) -> None:
    """Hold a bore against the nominal size of its end: a slip of the decimal point is ten times off."""
    if end.form is Form.OPEN:
        return  # what opens into a tank has the bore of its mouth
    number = nominal_number(end.size)
    nominal_m = number * (1e-3 if end.size.endswith("mm") else METRES_PER_INCH)
    low_m, high_m = nominal_m / MOST_BORE_RATIO, nominal_m * MOST_BORE_RATIO
    if not low_m < bore_m < high_m:
        row.fault(column, f"a bore from {1000 * low_m:.3g} to {1000 * high_m:.3g} mm in an end of {end.size}")


def _read_loss(row: Row, shelf: Shelf) -> LossData:
    faults_before = len(row.faults)
    method = row.word("loss_method", LossMethod, LossMethod.NONE)
    if len(row.faults) > faults_before:
        return LossData(method)
    for name in _LOSS_LEFT_EMPTY[method]:
        if row.cells[name]:
            row.fault(name, f"an empty cell: loss method {method} takes {', '.join(LOSS_COLUMNS[method]) or 'none'}")
    if method is LossMethod.NONE:
        return LossData(method)
    coefficients = tuple(row.number_in(name, above=name != "ki") for name in LOSS_COLUMNS[method])
    low, high = row.number_in("band_low", above=True), row.number_in("band_high", above=True)
    if low > 1.0:
        row.fault("band_low", "at most 1: the share of the stated loss that the true one may be")
    if high < 1.0:
        row.fault("band_high", "at least 1: the multiple of the stated loss that the true one may be")
    bore_m = row.metres("loss_bore_mm", above=True)
    return LossData(method, coefficients, bore_m, _source(row, shelf, "loss_source"), low, high)


def read_consumable(row: Row, shelf: Shelf, seen: Seen) -> None:
    """Shelve a row of cement, primer, tape, washers or clamps."""
    use, trade_name = row.one_of("consumable", CONSUMABLE_USES), row.required("trade_name")
    words = consumable_words(trade_name, row.text("pack"))
    shelve(item_of(row, Kind.CONSUMABLE, words, use, (), (), (), LossData(LossMethod.NONE)), row, shelf, seen)


def read_coverage(row: Row, shelf: Shelf, seen: Seen) -> None:
    """Shelve how many joints of a size a pack does."""
    item_id, size = row.required("item_id"), row.required("size")
    joints = row.number_in("joints_per_pack", low=1.0)
    if row.sound and joints != int(joints):
        row.fault("joints_per_pack", "a whole number")
    _source(row, shelf, "source")
    row.one_of("basis", BASES)
    if item_id not in shelf.items:
        row.fault("item_id", "a consumable of the catalogs", nearest(item_id, shelf.items))
    _once(row, "size", f"{item_id}, {size}", seen)
    if row.sound:
        shelf.packs.setdefault(item_id, {})[size] = int(joints)


def read_socket(row: Row, shelf: Shelf, seen: Seen) -> None:
    """Shelve how deep a pipe goes into an end."""
    end, depth_m = row.end("end"), row.metres("depth_mm", above=True)
    _source(row, shelf, "source")
    row.one_of("basis", BASES)
    _once(row, "end", str(end), seen)
    if row.sound:
        shelf.depths_m[end] = depth_m


def read_family(row: Row, shelf: Shelf, seen: Seen) -> None:
    """Shelve which families of fittings go onto a family of pipe."""
    family, fittings = row.required("family"), row.required("fitting_families")
    _source(row, shelf, "source")
    _once(row, "family", family, seen)
    if row.sound:
        shelf.families[family] = tuple(name.strip() for name in fittings.split(";"))


def read_price(row: Row, shelf: Shelf, seen: Seen) -> None:
    """Put a user's price on an item; a row without a price is passed over."""
    item_id = row.required("item_id")
    if item_id not in shelf.items:
        few = len(shelf.faults) < MOST_GUESSES
        row.fault("item_id", "an id of the catalogs", nearest(item_id, shelf.items) if few else None)
    if not row.text("price"):
        return
    price_cents, currency, date = row.cents("price"), row.currency("currency"), row.date("price_date")
    _once(row, "item_id", item_id, seen)
    if row.sound:
        item = shelf.items[item_id]
        shelf.items[item_id] = replace(item, price_cents=price_cents, currency=currency, price_date=date)
        shelf.places[item_id] = row.place("currency")
        shelf.own.add(item_id)


def item_of(  # stand-ins of cells that could not be read go in as well: a row with faults is never shelved
    row: Row,
    kind: Kind,
    description: str,
    family: str,
    ends: tuple[End, ...],
    bores_m: tuple[float, ...],
    take_outs_m: tuple[float, ...],
    loss: LossData,
) -> CatalogItem:
    return CatalogItem(
        item_id=row.required("item_id"),
        kind=kind,
        description=description,
        family=family,
        material=material_of(row),
        ends=ends,
        end_bores_m=bores_m,
        take_outs_m=take_outs_m,
        loss=loss,
        price_cents=row.cents("price"),
        currency=row.currency("currency"),
        price_date=row.date("price_date"),
        source=row.text("source"),
        standard=row.text("standard"),
        pressure_rating_pa=_pressure_pa(row),
        basis=row.one_of("basis", BASES),
        note=row.text("note"),
    )


def material_of(row: Row) -> str:
    """Return the name of a row's material. Which may stand in salt water is known of those on the list alone."""
    text = row.text("material")
    name = material_named(text)
    if name is None:
        row.fault("material", "a material on the list: " + ", ".join(MATERIALS), nearest(text, WORDS))
    return name or text


def _pressure_pa(row: Row) -> float:
    if not row.text("pressure_rating_bar"):  # not rated
        return 0.0
    return row.number_in("pressure_rating_bar", above=True) * PASCALS_PER_BAR


def shelve(item: CatalogItem, row: Row, shelf: Shelf, seen: Seen) -> None:
    _source(row, shelf, "price_source")
    _source(row, shelf, "source")
    _once(row, "item_id", item.item_id, seen)
    if row.sound:
        shelf.items[item.item_id] = item
        shelf.places[item.item_id] = row.place("currency")
        shelf.own.add(item.item_id)


def _source(row: Row, shelf: Shelf, column: str) -> str:
    key = row.cells[column]
    if key not in shelf.sources:
        row.fault(column, "a key of sources.toml", nearest(key, shelf.sources))
    return key


def _once(row: Row, column: str, key: str, seen: Seen) -> None:
    if key and (column, key) in seen:
        row.fault(column, f"each once; {seen[column, key]} has it already")
    seen.setdefault((column, key), f"{row.file}, row {row.number}")
