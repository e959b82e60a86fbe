"""An end as a person writes it, in any of the words of the trade → that end of the catalogs."""

from __future__ import annotations

from optimizer.errors import Fault, InputError, QuantityError
from optimizer.model.catalog import Catalog
from optimizer.model.ends import End
from optimizer.read.words import in_size_order, parse_end


def named_end(text: str, catalog: Catalog) -> End:
    """Return the end that a person wrote, in any of the words of the trade: `G 3/4 male`, `3/4 in FIP`, `1 in slip`.

    Raises
    ------
    InputError
        When it is no end, or the catalogs have none of that size and form; says which sizes there are.
    """
    try:
        end = parse_end(text)
    except QuantityError as error:
        raise InputError([Fault("end", repr(text), error.allowed, error.suggestion)]) from error
    known = {one for item in catalog.items.values() for one in item.ends}
    if end not in known:
        sizes = in_size_order(one.size for one in known if (one.form, one.system) == (end.form, end.system))
        allowed = f"for {end.form} the sizes in the catalogs: {', '.join(sizes) or 'none'}"
        raise InputError([Fault("end", repr(text), allowed)])
    return end
