"""Every shipped case runs, passes its checks, and gives the values that it says to expect."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sawfem.case import Case
from sawfem.cli.answers import ROWS
from sawfem.datafiles import shipped_file, shipped_names
from sawfem.pipeline import run
from sawfem.quantities import entry
from sawfem.result import Result

SHIPPED = shipped_names("cases")
#: Those that are a map and nothing else have their own test.
CASES = tuple(
    name for name in SHIPPED if Case.load(shipped_file("cases", name)).asks_for("grating")
)
#: The one that is run to the accuracy that it asks for; the others to 1e-4, in half the time.
MAIN = "buoy-resonator"

EXPECT = re.compile(r"# expect: (?P<place>\S+) = (?P<value>\S+) within (?P<bar>\S+)")
STEP = re.compile(r"\.?([a-z_A-Z0-9]+)|\[(\d+)\]")


def at(tree: Any, place: str) -> Any:
    for match in STEP.finditer(place):
        tree = tree[match[1]] if match[1] is not None else tree[int(match[2])]
    return tree


def zeros_of_the_transducers(result: Result) -> None:
    """Uniform transducers of N pairs: zeros at f0 (1 +- 1/N) (Tancrell & Holland 1971).

    The velocity of the double electrodes gives f0; internal reflections would move the zeros.
    """
    assert result.device is not None
    cell = result.device.description["double_electrode"]
    centre = cell["velocity_m_per_s"] / (2.0 * cell["pitch_m"])
    frequency = result.device.response.frequency
    loss = result.device.response.insertion_loss
    inner = np.flatnonzero((loss[1:-1] > loss[:-2]) & (loss[1:-1] > loss[2:])) + 1
    zeros = frequency[inner]
    step = frequency[1] - frequency[0]
    for pairs in (100, 80):
        for sign in (-1.0, 1.0):
            nearest = zeros[np.argmin(np.abs(zeros - centre * (1.0 + sign / pairs)))]
            assert nearest == pytest.approx(centre * (1.0 + sign / pairs), abs=2.0 * step)


def one_common_edge(result: Result) -> None:
    """A cell with a mirror has one standing wave without charge, common to both pairs."""
    constants = result.constants
    assert constants.stopband_short[1] == pytest.approx(constants.stopband_open[1], rel=1e-9)
    assert abs(constants.reflection_per_electrode.imag) < 1e-9


def no_common_edge(result: Result) -> None:
    """Without a mirror all four edges differ and the reflection is complex."""
    constants = result.constants
    edges = sorted([*constants.stopband_short, *constants.stopband_open])
    assert min(np.diff(edges)) > 1e-4 * edges[0]
    assert abs(constants.reflection_per_electrode.imag) > 1e-3


def table_of_the_readme(result: Result) -> None:
    """The constants that the README shows are those of this case, to their last digits."""
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    block = text.partition("Grating constants ")[2].partition("```")[0]
    # Label, value, bar where there is one, unit where there is one.
    row = r"^  (\S.*?)  +(-?[0-9.]+)(?: +[0-9.]+)?(?: +([^\s0-9.]\S*))?$"
    rows = re.findall(row, block, re.MULTILINE)
    assert len(rows) == len(block.strip().splitlines()) - 1
    shown = {label: (value, unit) for label, value, unit in rows}
    assert len(shown) == len(rows)  # no row twice
    labels = {entry(name).label: name for name in ROWS}
    assert len(shown) >= 12
    for label, (value, unit) in shown.items():
        name, _, side = label.partition(" (resonance)")[0].rpartition(", ")
        pair = name in labels and side in ("lower", "upper")
        quantity = (
            result.constants.quantity(labels[name], ("lower", "upper").index(side))
            if pair
            else result.constants.quantity(labels[label])
        )
        number, bar, shown_unit = quantity.parts()
        assert shown_unit == unit
        # Rounding of another machine's arithmetic may move the last digit.
        last = 10.0 ** -min(len(text.partition(".")[2]) for text in (number, value))
        assert abs(float(number) - float(value)) <= max(float(bar or 0.0), 1.5 * last), label


def limits_are_kept(result: Result) -> None:
    """Every limit, and said what no design can have: 0.12 % of gap under 0.32 % of drift."""
    assert result.device is not None
    assert result.device.specification_met
    hot = {round(line["temperature_K"], 6) for line in result.device.specification}
    assert hot <= {253.15, 298.15, 333.15}
    told = [text for text in result.warnings if text.startswith("cannot be had")]
    assert len(told) == 1
    assert "0.32 %" in told[0]
    assert "0.12 %" in told[0]


MORE: dict[str, Callable[[Result], None]] = {
    "buoy-resonator": table_of_the_readme,
    "buoy-transversal": zeros_of_the_transducers,
    "buoy-quartz-grating": one_common_edge,
    "buoy-langasite": no_common_edge,
    "buoy-ladder": limits_are_kept,
}


def test_at_least_four_cases_are_shipped() -> None:
    assert len(CASES) >= 4
    assert set(MORE) <= set(CASES)


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_case(name: str) -> None:
    case = Case.load(shipped_file("cases", name))
    result = run(case if name == MAIN else case.edit({"results.accuracy": 1e-4}))

    expected = list(EXPECT.finditer(case.text))
    assert len(expected) == case.text.count("# expect:")
    assert len(expected) >= 7
    tree = result.to_dict()
    for match in expected:
        value, bar = float(match["value"]), float(match["bar"])
        assert 0.0 < bar <= 0.1 * abs(value), match["place"]
        assert at(tree, match["place"]) == pytest.approx(value, rel=0.0, abs=bar), match["place"]

    assert len(result.checks) >= 5
    assert [key for key, check in result.checks.items() if not check["ok"]] == []
    if name in MORE:
        MORE[name](result)
