"""The beam from one transducer to another as a JSON object, an entry of ``device.diffraction``."""

from __future__ import annotations

from typing import Any

from sawfem.device.beams import BeamPair
from sawfem.quantities import json_key, to_json


def beam_dict(pair: BeamPair) -> dict[str, Any]:
    """Names, frequency, figures and their uncertainties.

    "numerical", and "material" where a misalignment was asked for.
    """
    values = {name: quantity.value for name, quantity in pair.figures.items()}
    bars = {
        name: quantity.uncertainty
        for name, quantity in pair.figures.items()
        if quantity.uncertainty is not None
    }
    uncertainty: dict[str, Any] = {"numerical": to_json(bars)}
    if pair.material:
        uncertainty["material"] = to_json(dict(pair.material))
        uncertainty["misalignment_deg"] = pair.misalignment
    return {
        "track": pair.track,
        "source": pair.source,
        "receiver": pair.receiver,
        "surface": pair.surface,
        "applied": pair.applied,
        json_key("frequency"): pair.frequency,
        "figures": to_json(values),
        "uncertainty": uncertainty,
    }
