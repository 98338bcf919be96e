"""The two models of a transducer inside result.h5: /device/second_model/<name>.

frequency                     axis, Hz
coupled, summed               S, by coupling of modes and by sums over electrodes
computed                      Hz, where the sums were computed and not interpolated
peaks                         (n, 2) Hz, resonance and antiresonance by either model
fit_band                      (2,) Hz, NaN where the constants have none
radiated_frequency            Hz, with conductance_waves, conductance_bulk (S) and waves_found
                              there; not on leaky cuts
attributes                    damping in Hz (quality factor f / (2 damping)), error and
                              interpolation (relative), phases, leaky, meeting
"""

from __future__ import annotations

from collections.abc import Sequence

import h5py
import numpy as np

from sawfem.device.comparison import BulkRadiation, ModelComparison
from sawfem.export.hdf5_node import Node
from sawfem.quantities import entry


def write_second_model(group: h5py.Group, compared: Sequence[ModelComparison]) -> None:
    """Put every transducer into a group of its own, in their order."""
    for found in compared:
        place = group.create_group(found.name)
        axis = place.create_dataset("frequency", data=found.frequency)
        axis.make_scale("frequency")
        for name in ("coupled", "summed"):
            dataset = place.create_dataset(name, data=getattr(found, name))
            dataset.attrs.update(entry("admittance").attributes())
            dataset.dims[0].attach_scale(axis)
        place["computed"] = found.computed
        place["peaks"] = np.array(found.peaks, dtype=float).reshape(-1, 2)
        place["fit_band"] = np.array(found.fit_band or (np.nan, np.nan))
        for name in ("frequency", "computed", "peaks", "fit_band"):
            place[name].attrs.update(entry("frequency").attributes())
        for name in ("damping", "error", "interpolation"):
            place.attrs[name] = float(getattr(found, name))
        if found.radiated is not None:
            for name in ("waves", "bulk"):
                dataset = place.create_dataset(
                    f"conductance_{name}", data=getattr(found.radiated, name)
                )
                dataset.attrs.update(entry("admittance").attributes())
            place.create_dataset("waves_found", data=found.radiated.count)
            radiated = place.create_dataset("radiated_frequency", data=found.radiated.frequency)
            radiated.attrs.update(entry("frequency").attributes())
        place.attrs["phases"], place.attrs["leaky"] = found.phases, found.leaky
        place.attrs["meeting"] = found.meeting


def read_second_model(node: Node) -> tuple[ModelComparison, ...]:
    """Take them out again. InputError for contents that cannot be it."""
    return tuple(_read_one(name, node.child(name)) for name in node.names())


def _read_one(name: str, node: Node) -> ModelComparison:
    frequency = node.array("frequency", (None,))
    shape = (frequency.size,)
    low, high = (float(edge) for edge in node.array("fit_band", (2,)))
    return ModelComparison(
        name=name,
        frequency=frequency,
        coupled=node.array("coupled", shape, np.complex128),
        summed=node.array("summed", shape, np.complex128),
        computed=node.array("computed", (None,)),
        damping=node.attribute("damping", float),
        fit_band=None if np.isnan(low) else (low, high),
        peaks=tuple((float(one), float(two)) for one, two in node.array("peaks", (None, 2))),
        error=node.attribute("error", float),
        phases=node.attribute("phases", int),
        interpolation=node.attribute("interpolation", float),
        leaky=node.attribute("leaky", bool),
        meeting=node.attribute("meeting", bool),
        radiated=_read_radiated(node) if "conductance_bulk" in node else None,
    )


def _read_radiated(node: Node) -> BulkRadiation:
    at = node.array("radiated_frequency", (None,))
    waves, bulk = (node.array(f"conductance_{name}", (at.size,)) for name in ("waves", "bulk"))
    return BulkRadiation(at, waves, bulk, node.array("waves_found", (at.size,), np.int64))
