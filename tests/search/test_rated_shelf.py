"""What the pump could burst is not for sale, but what stands of it is still known."""

from optimizer.model.catalog import PIPES
from optimizer.read.catalogs import load_catalog
from optimizer.read.places import data_directory
from optimizer.read.systems import load_system
from optimizer.search.posing import options_of
from optimizer.search.pressure import rated

_MORE_THAN_ANY_PIPE_BEARS_PA = 1e8


def test_a_run_whose_own_pipe_is_too_weak_to_be_bought_again_keeps_its_ways() -> None:
    catalog = load_catalog()
    system = load_system(data_directory("examples") / "single-return.yaml", catalog)

    strong = rated(catalog, _MORE_THAN_ANY_PIPE_BEARS_PA)
    options = options_of(system, strong, system.network.runs)

    bought = [p for graph in options.graphs.values() for arcs in graph.arcs for arc in arcs for p in arc.parts]
    new_pipe = [p for p in bought if p.kind in PIPES and not p.existing and p.item is not None]
    assert all(p.item.pressure_rating_pa == 0.0 for p in new_pipe if p.item is not None)  # unrated pipe stays
    assert any(p.existing for p in bought)
