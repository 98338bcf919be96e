"""What decides the numbers of a sweep's points is part of the version that its store remembers."""

from sawfem.sweep.identity import _NUMERICS, numerics
from tests.house.test_floors import FLOORS, ROOT

#: Rooms of the middle floors that make no numbers: they warn.
ASIDE = {"quartz"}


def test_every_room_that_computes_counts() -> None:
    counted = {name.removesuffix(".py") for name in _NUMERICS}
    computing = {room for room, floor in FLOORS.items() if 1 <= floor <= 5} - ASIDE
    assert computing <= counted, computing - counted


def test_every_name_leads_to_a_text() -> None:
    for name in _NUMERICS:
        assert (ROOT / name).exists(), name


def test_the_version_says_whose_it_is() -> None:
    from sawfem import __version__

    version, _, digest = numerics().partition("+")
    assert version == __version__
    assert len(digest) == 12
