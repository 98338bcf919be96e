"""From the tables of a case to a ResolvedCase: defaults, references, wavelengths, cross-checks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from sawfem.case import (
    resolve_devices,
    resolve_signal,
    resolve_structure,
    resolve_tracks,
    resolve_transverse,
)
from sawfem.case.keypath import UNNAMED
from sawfem.case.likes import expand
from sawfem.case.reader import Place, Reader
from sawfem.case.resolved import ResolvedBand, ResolvedCase, ResolvedLimit
from sawfem.case.resolved_asks import (
    ResolvedDesign,
    ResolvedFit,
    ResolvedMeasurement,
    ResolvedSignal,
)
from sawfem.case.resolved_devices import ResolvedDevice
from sawfem.case.resolved_structure import ResolvedGrating
from sawfem.conventions import REFERENCE_TEMPERATURE
from sawfem.quantities import table as quantity_table
from sawfem.units import UNITS, parse_quantity, shown

#: Kind of quantity text for the units of a specification's quantities.
_LIMIT_KINDS = {"dB": "level", "s": "time", "Hz": "frequency", "": "ratio"}


def resolve(
    listed: Mapping[str, Any], written: Mapping[str, Any], *, file: str | None, base: Path
) -> ResolvedCase:
    """Resolve a case.

    Parameters
    ----------
    listed : the tables with every list a list, as the schema returns them.
    written : the tables as the user wrote them, for the keys in messages.

    Raises
    ------
    CaseError, UnitError, NotFoundError, MaterialError : with the file and the user's key.
    """
    place = Place(written, file)
    root = Reader(expand(listed, place.refuse), (), place)
    known = resolve_structure.variants(root.below("material"))
    gratings = _gratings(root, known)
    wavelength = _common_wavelength(gratings.values())
    for key in ("layer", "overcoat", "measurement"):
        _unique(root.below(key), key)
    devices = _devices(root, gratings, base)
    bare = _table(root, "substrate").table.get("material") == resolve_structure.AIR
    if bare and not root.below("layer"):
        raise place.refuse(("layer",), "no section", "the [[layer]] of which a membrane consists")
    return ResolvedCase(
        title=root.table.get("title", ""),
        substrate=resolve_structure.crystal(_table(root, "substrate"), known),
        layers=resolve_structure.layers(root.below("layer"), known, wavelength),
        gratings=gratings,
        overcoat=resolve_structure.overcoat(root.below("overcoat"), known, wavelength),
        materials=known,
        temperature=_table(root, "conditions").quantity(
            "temperature", "temperature", default=REFERENCE_TEMPERATURE
        ),
        bands=_bands(root),
        limits=_limits(root),
        specification_temperatures=tuple(
            parse_quantity(value, "temperature")
            for value in root.table.get("specification", {}).get("temperatures", ())
        ),
        design=_design(_table(root, "design")) if "design" in root else None,
        signal=_signal(root, devices["device"]),
        fit=_fit(_table(root, "fit"), root.below("measurement")) if "fit" in root else None,
        transverse=resolve_transverse.transverse(
            _table(root, "transverse"),
            devices["device"],
            gratings,
            tuple(root.table.get("results", {}).get("include", ())),
            given="transverse" in root,
        ),
        frequency_temperature_coefficient=_drift(root),
        specification_hold_constant=tuple(
            root.table.get("specification", {}).get("hold_constant") or ()
        ),
        hold_constant=tuple(root.table.get("conditions", {}).get("hold_constant") or ()),
        measurements=tuple(_measurement(item, base) for item in root.below("measurement")),
        include=tuple(root.table.get("results", {}).get("include", ())),
        accuracy=float(root.table.get("results", {}).get("accuracy", 1e-5)),
        second_model=bool(root.table.get("results", {}).get("second_model", True)),
        shorts=resolve_structure.shorts(_table(root, "substrate"), root.below("layer")),
        base=base,
        file=file,
        **devices,
    )


def _table(root: Reader, key: str) -> Reader:
    return Reader(root.table.get(key, {}), (key,), root.place)


def _unique(readers: Iterable[Reader], what: str) -> None:
    """Refuse a second member of the same name."""
    seen: set[str] = set()
    for reader in readers:
        name = reader.table.get("name")
        if name is not None and name in seen:
            raise reader.refuse("name", f'a second {what} "{name}"', "unique names")
        if name is not None:
            seen.add(name)


def _gratings(root: Reader, known: Mapping[str, Any]) -> dict[str, ResolvedGrating]:
    found: dict[str, ResolvedGrating] = {}
    for reader in root.below("grating"):
        name = reader.table.get("name", UNNAMED)
        if name in found:
            raise reader.refuse("name", f'a second grating "{name}"', "unique names")
        _unique(reader.below("electrode"), "electrode")
        found[name] = resolve_structure.grating(reader, name, known)
    return found


def _common_wavelength(gratings: Iterable[ResolvedGrating]) -> float | None:
    """The wavelength that all gratings share, or None."""
    lengths = [grating.wavelength for grating in gratings]
    if not lengths or not all(math.isclose(lengths[0], other, rel_tol=1e-12) for other in lengths):
        return None
    return lengths[0]


def _devices(root: Reader, gratings: Mapping[str, ResolvedGrating], base: Path) -> dict[str, Any]:
    """The fields device, resonators, lumps, networks and tracks of a ResolvedCase."""
    kinds = ("resonator", "lump", "network", "track")
    parts = resolve_devices.part_names(r for kind in kinds for r in root.below(kind))
    device = None
    if "device" in root:
        device = resolve_devices.device(_table(root, "device"), gratings, parts)
    return {
        "device": device,
        "resonators": {
            reader.table["name"]: resolve_devices.resonator(reader, gratings)
            for reader in root.below("resonator")
        },
        "lumps": {
            reader.table["name"]: resolve_devices.lump(reader) for reader in root.below("lump")
        },
        "tracks": {
            reader.table["name"]: resolve_tracks.track(reader, gratings)
            for reader in root.below("track")
        },
        "networks": {
            reader.table["name"]: resolve_devices.network(reader, base)
            for reader in root.below("network")
        },
    }


def _bands(root: Reader) -> tuple[ResolvedBand, ...]:
    found = []
    for reader in root.below("band"):
        start = reader.quantity("start", "frequency")
        stop = reader.quantity("stop", "frequency")
        if stop <= start:
            raise reader.refuse(
                "stop",
                f"{shown(reader.table['stop'])}, not above start = {shown(reader.table['start'])}",
                "stop above start",
            )
        found.append(ResolvedBand(start, stop, reader.table.get("points", 801)))
    return tuple(found)


def _measurement(reader: Reader, base: Path) -> ResolvedMeasurement:
    """A measurement and what is to be taken off it."""
    table = reader.table
    numbers = [key for key in table if key.startswith(("pad_", "lead_"))]
    dummies = [key for key in ("open_dummy", "short_dummy") if key in reader]
    if numbers and dummies:
        raise reader.refuse(
            numbers[0], f"{numbers[0]} and {dummies[0]}", "one or the other: both take it off"
        )
    if "line_impedance" in reader and "line_delay" not in reader:
        raise reader.missing("line_delay", "the line_delay of the line whose impedance is given")
    return ResolvedMeasurement(
        name=table["name"],
        file=base / table["file"],
        line_delay=reader.several("line_delay", "time", 0.0),
        line_impedance=reader.several("line_impedance", "resistance", 50.0),
        pad_capacitance=reader.several("pad_capacitance", "capacitance", 0.0),
        lead_inductance=reader.several("lead_inductance", "inductance", 0.0),
        lead_resistance=reader.several("lead_resistance", "resistance", 0.0),
        open_dummy=base / table["open_dummy"] if "open_dummy" in reader else None,
        short_dummy=base / table["short_dummy"] if "short_dummy" in reader else None,
        noise=table.get("noise"),
    )


def _drift(root: Reader) -> float | None:
    """Relative change of all frequencies per kelvin, where the specification gives it."""
    specification = _table(root, "specification")
    key = "frequency_temperature_coefficient"
    return specification.ratio(key, '"-38 ppm"') if key in specification else None


def _design(reader: Reader) -> ResolvedDesign:
    """What ``sawfem design`` may choose."""
    table = reader.table
    return ResolvedDesign(
        kind=table.get("kind", "ladder"),
        resonators=table.get("resonators", 7),
        reflector_fingers=table.get("reflector_fingers", 40),
        transducer=table.get("transducer", "double"),
        gap=reader.length("gap", "gap") if "gap" in reader else None,
        source=reader.impedance("source"),
        load=reader.impedance("load"),
        spread=reader.optional("spread", "frequency") or 0.0,
        propagation_loss=reader.quantity("propagation_loss", "loss rate", default=0.0),
        sheet_resistance=reader.optional("sheet_resistance", "resistance"),
        evaluations=table.get("evaluations", 1500),
        seed=table.get("seed", 0),
    )


def _signal(root: Reader, device: ResolvedDevice | None) -> ResolvedSignal | None:
    """The signal that a device is to let through, if there is one."""
    if "signal" not in root:
        return None
    bands = [(band.start, band.stop) for band in _bands(root)]
    return resolve_signal.signal(_table(root, "signal"), device, bands)


def _fit(reader: Reader, measurements: list[Reader]) -> ResolvedFit:
    """What ``sawfem fit`` is to find."""
    table = reader.table
    names = {item.table["name"]: item for item in measurements}
    if "measurement" in reader:
        name = reader.reference("measurement", names, "measurement")
    else:
        name = next(iter(names), "")
    model = table.get("model", "resonator")
    if model == "resonator" and not name:
        raise reader.missing("measurement", "a [[measurement]] to fit the resonator to")
    for key, of in (("arms", "circuit"), ("static", "circuit"), ("tolerance", "rational")):
        if key in reader and model != of:
            raise reader.refuse(key, f"{key} of a {model}", f'model = "{of}" beside it')
    start, stop = reader.optional("from", "frequency"), reader.optional("to", "frequency")
    if start is not None and stop is not None and stop <= start:
        raise reader.refuse("to", f"{shown(table['to'])}, not above from", "to above from")
    return ResolvedFit(
        model=model,
        measurement=name,
        start=start,
        stop=stop,
        free=tuple(table.get("free", ())),
        quantity=table.get("quantity", "scattering"),
        arms=table.get("arms", 1),
        static=table.get("static", "series"),
        tolerance=float(table.get("tolerance", 2e-3)),
    )


def _limits(root: Reader) -> tuple[ResolvedLimit, ...]:
    specification = _table(root, "specification")
    return tuple(_limit(reader) for reader in specification.below("limit"))


def _limit(reader: Reader) -> ResolvedLimit:
    """One line of a specification: its quantity, its band and its bounds in SI."""
    entries = {
        name: row
        for name, row in quantity_table().items()
        if row.form == "real" and row.unit in _LIMIT_KINDS
    }
    name = reader.reference("quantity", entries, "quantity")
    kind = _LIMIT_KINDS[entries[name].unit]
    start = reader.optional("from", "frequency")
    stop = reader.optional("to", "frequency")
    if (start is None) != (stop is None):
        raise reader.missing("to" if stop is None else "from", "from and to, or neither")
    if start is not None and stop is not None and stop < start:
        raise reader.refuse("to", f"{shown(reader.table['to'])}, below from", "to above from")
    if "at_most" not in reader and "at_least" not in reader:
        raise reader.missing("at_most", f"at_most or at_least, in {', '.join(UNITS[kind])}")
    return ResolvedLimit(
        reader.table["name"],
        name,
        start,
        stop,
        reader.optional("at_most", kind),
        reader.optional("at_least", kind),
    )
