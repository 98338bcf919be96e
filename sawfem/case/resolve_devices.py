"""Devices and parts, in SI, with every name that they refer to looked up."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from sawfem.case.reader import Reader
from sawfem.case.resolved_devices import (
    ResolvedCircuitDevice,
    ResolvedDevice,
    ResolvedLadderDevice,
    ResolvedLump,
    ResolvedNetwork,
    ResolvedPort,
    ResolvedResonator,
    ResolvedResonatorDevice,
    ResolvedTransversalDevice,
)
from sawfem.case.resolved_structure import ResolvedGrating
from sawfem.units import format_quantity, shown

Gratings = Mapping[str, ResolvedGrating]

_LUMP_KINDS = ("inductance", "capacitance", "resistance")


def grating_of(reader: Reader, gratings: Gratings) -> ResolvedGrating:
    """The grating a transducer names; the only one where it names none."""
    if "grating" in reader:
        return gratings[reader.reference("grating", gratings, "grating")]
    if len(gratings) != 1:
        listed = ", ".join(gratings)
        expected = f"one of {listed}" if listed else "a table [grating] in this case"
        raise reader.refuse("grating", "nothing", expected)
    return next(iter(gratings.values()))


def aperture_of(reader: Reader, wavelength: float) -> float:
    """The aperture; narrower than a wavelength no wave would stay within it."""
    aperture = reader.length("aperture", "aperture", wavelength=wavelength)
    if aperture < wavelength:
        raise reader.refuse(
            "aperture",
            f"{shown(reader.table['aperture'])}, less than a wavelength",
            f"{format_quantity(wavelength, 'm', digits=3)} or more",
        )
    return aperture


def offset_of(reader: Reader, wavelength: float, *, spreads: bool) -> float:
    """How far a transducer lies aside, m; a beam that does not walk would miss it."""
    if "offset" in reader and not spreads:
        raise reader.refuse(
            "offset",
            f"{shown(reader.table['offset'])} without diffraction",
            "diffraction = true: the model of one row knows of no offset",
        )
    return reader.length("offset", "position", wavelength=wavelength, default=0.0)


def whole_cells(reader: Reader, key: str, grating: ResolvedGrating, counts: Iterable[int]) -> None:
    """Refuse counts of electrodes that are no whole cells of a grating."""
    each = len(grating.electrodes)
    for count in counts:
        if each > 1 and count % each:
            raise reader.refuse(
                key, f"{count} in cells of {each} electrodes", f"a multiple of {each}"
            )


def resonator(reader: Reader, gratings: Gratings) -> ResolvedResonator:
    """A transducer between two reflectors; a gap left out is the mean pitch.

    On cells of several electrodes it is the distance from cell to cell: they go on as they were.
    """
    grating = grating_of(reader, gratings)
    mirror = grating
    if "reflector_grating" in reader:
        mirror = gratings[reader.reference("reflector_grating", gratings, "grating")]
    wavelength = grating.wavelength
    pitches = 0.5 * sum(g.join if g.several else 0.5 * g.wavelength for g in (grating, mirror))
    strips = reader.need("reflector_fingers", "[300, 300]")
    left, right = strips if isinstance(strips, list) else (strips, strips)
    whole_cells(reader, "fingers", grating, (reader.need("fingers", "121"),))
    whole_cells(reader, "reflector_fingers", mirror, (left, right))
    if mirror.several and reader.table.get("reflector_connection") == "open":
        raise reader.refuse(
            "reflector_connection",
            "open strips in cells of several electrodes",
            "shorted: the cell says what is tied to what, and the bus-bars are joined",
        )
    return ResolvedResonator(
        grating=grating.name,
        fingers=reader.need("fingers", "121"),
        reflector_fingers=(left, right),
        aperture=aperture_of(reader, wavelength),
        gap=reader.length("gap", "gap", wavelength=wavelength, default=pitches),
        reflector_connection=reader.table.get("reflector_connection", "shorted"),
        sheet_resistance=reader.optional("sheet_resistance", "resistance"),
        propagation_loss=reader.quantity("propagation_loss", "loss rate", default=0.0),
        name=reader.table.get("name", ""),
        reflector_grating=mirror.name,
    )


def _transversal(reader: Reader, gratings: Gratings) -> ResolvedTransversalDevice:
    grating = grating_of(reader, gratings)
    wavelength = grating.wavelength
    first, second = reader.need("fingers", "[61, 41]")
    transducer = reader.table.get("transducer", "single")
    whole_cells(reader, "fingers", grating, (first, second))
    if grating.several and transducer == "double":
        raise reader.refuse(
            "transducer",
            '"double" on cells of several electrodes',
            "none: the cell says what is tied to what",
        )
    mirrored = reader.table.get("mirrored") or (False, False)
    if transducer == "double" and (first % 2 or second % 2):
        raise reader.refuse(
            "fingers",
            f"[{first}, {second}] for double electrodes",
            "even counts: two electrodes side by side share a bus-bar",
        )
    return ResolvedTransversalDevice(
        grating=grating.name,
        fingers=(first, second),
        aperture=aperture_of(reader, wavelength),
        gap=reader.length("gap", "gap", wavelength=wavelength),
        transducer=transducer,
        source=reader.impedance("source"),
        load=reader.impedance("load"),
        sheet_resistance=reader.optional("sheet_resistance", "resistance"),
        propagation_loss=reader.quantity("propagation_loss", "loss rate", default=0.0),
        diffraction=bool(reader.table.get("diffraction", False)),
        misalignment=reader.angle("misalignment", "misalignment", 0.0),
        offset=offset_of(reader, wavelength, spreads=bool(reader.table.get("diffraction", False))),
        mirrored=(bool(mirrored[0]), bool(mirrored[1])),
    )


def lump(reader: Reader) -> ResolvedLump:
    """An inductance, a capacitance or a resistance, exactly one of them."""
    given = [key for key in _LUMP_KINDS if key in reader]
    if len(given) != 1:
        found = " and ".join(given) or "nothing"
        raise reader.refuse(given[0] if given else _LUMP_KINDS[0], found, "one of the three kinds")
    return ResolvedLump(
        name=reader.table["name"],
        inductance=reader.optional("inductance", "inductance"),
        capacitance=reader.optional("capacitance", "capacitance"),
        resistance=reader.optional("resistance", "resistance"),
        quality=reader.table.get("quality"),
    )


def part_names(groups: Iterable[Reader]) -> dict[str, Reader]:
    """Parts of all kinds by name: they share one namespace."""
    found: dict[str, Reader] = {}
    for reader in groups:
        name = reader.table["name"]
        if name in found:
            raise reader.refuse(
                "name",
                f'a second part "{name}"',
                "unique names of resonators, lumps, networks and tracks together",
            )
        found[name] = reader
    return found


def device(reader: Reader, gratings: Gratings, parts: Mapping[str, Any]) -> ResolvedDevice:
    """The device, by its kind."""
    kind = reader.table["kind"]
    if kind == "resonator":
        return ResolvedResonatorDevice(
            resonator(reader, gratings),
            reader.impedance("load"),
            transverse_modes=reader.table.get("transverse_modes", False),
        )
    if kind == "transversal":
        return _transversal(reader, gratings)
    if kind == "ladder":
        return _ladder(reader, parts)
    return _circuit(reader, parts)


def _ports(reader: Reader) -> tuple[ResolvedPort, ...]:
    found = []
    for port in reader.below("ports"):
        nodes = port.table.get("node", ())
        nodes = (nodes,) if isinstance(nodes, str) else tuple(nodes)
        found.append(ResolvedPort(port.table["name"], port.impedance("impedance"), nodes))
    return tuple(found)


def _ladder(reader: Reader, parts: Mapping[str, Any]) -> ResolvedLadderDevice:
    ports = _ports(reader) or (ResolvedPort("1", 50.0 + 0j), ResolvedPort("2", 50.0 + 0j))
    if len(ports) != 2:
        raise reader.refuse("ports", f"{len(ports)} ports", "two ports of a ladder")
    chain = []
    for link in reader.below("chain"):
        given = [key for key in ("series", "shunt") if key in link]
        if len(given) != 1:
            raise reader.place.refuse(
                link.location, " and ".join(given) or "an empty link", "either series or shunt"
            )
        names = link.table[given[0]]
        names = (names,) if isinstance(names, str) else tuple(names)
        for name in names:
            if name not in parts:
                raise link.unknown(given[0], name, parts, "part")
        chain.append((given[0], names))
    if not chain:
        raise reader.refuse("chain", "an empty list", "links from port 1 to port 2")
    return ResolvedLadderDevice(ports, tuple(chain))


def _circuit(reader: Reader, parts: Mapping[str, Any]) -> ResolvedCircuitDevice:
    placed = []
    for item in reader.below("parts"):
        nodes = item.table["nodes"]
        nodes = (nodes,) if isinstance(nodes, str) else tuple(nodes)
        placed.append((item.reference("part", parts, "part"), nodes))
    if not placed:
        raise reader.refuse("parts", "an empty list", "parts and their nodes")
    for port in reader.below("ports"):
        port.need("node", '"in"')
    return ResolvedCircuitDevice(_ports(reader), tuple(placed))


def network(reader: Reader, base: Path) -> ResolvedNetwork:
    """A Touchstone file as a part; the path starts at the folder of the case."""
    return ResolvedNetwork(reader.table["name"], base / reader.table["file"])
