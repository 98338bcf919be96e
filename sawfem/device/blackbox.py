"""A part that somebody measured or computed elsewhere: scattering over frequency."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.errors import InputError
from sawfem.touchstone import read_touchstone


@dataclass(frozen=True, eq=False)
class BlackBox:
    """A network of n ports against one common terminal.

    Attributes
    ----------
    frequency : (K,) in hertz, increasing. scattering : (K, n, n), power waves.
    reference : (K, n) in ohm. file : where it came from, for messages.

    Raises InputError for frequencies that do not increase and numbers that are not finite.
    """

    frequency: FloatArray = field(repr=False)
    scattering: ComplexArray = field(repr=False)
    reference: ComplexArray = field(repr=False)
    file: str | None = None

    def __post_init__(self) -> None:
        f, s = self.frequency, self.scattering
        if f.ndim != 1 or s.shape != (f.size, *s.shape[1:]) or s.ndim != 3:
            raise InputError(file=self.file, found=f"shape {s.shape}", expected="(K, n, n)")
        if not (np.all(np.isfinite(s)) and np.all(np.isfinite(f))):
            raise InputError(file=self.file, found="NaN or infinity", expected="finite numbers")
        step = np.flatnonzero(np.diff(f) <= 0.0)
        if step.size:
            at = f[step[0] + 1] / 1e6
            raise InputError(
                file=self.file,
                found=f"{at:.9g} MHz not above the frequency before it",
                expected="increasing frequencies",
            )

    @classmethod
    def read(cls, path: Path) -> BlackBox:
        """Read a Touchstone file. Raises InputError for one that cannot be read or used."""
        data = read_touchstone(path)
        return cls(data.frequency, data.scattering, data.reference, data.file)

    @property
    def ports(self) -> int:
        """Number of ports, n."""
        return int(self.scattering.shape[-1])

    def at(self, frequency: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Scattering (F, n, n) and references (F, n), linear between the listed frequencies.

        Raises InputError outside them: nothing is extrapolated.
        """
        low, high = self.frequency[0], self.frequency[-1]
        slack = 1e-9 * high
        if frequency.min() < low - slack or frequency.max() > high + slack:
            raise InputError(
                file=self.file,
                found=f"data from {low / 1e6:.6g} to {high / 1e6:.6g} MHz",
                expected=f"{frequency.min() / 1e6:.6g} to {frequency.max() / 1e6:.6g} MHz as well",
            )
        at = np.clip(frequency, low, high)

        def between(values: ComplexArray) -> ComplexArray:
            flat = values.reshape(self.frequency.size, -1)
            columns = [np.interp(at, self.frequency, column) for column in flat.T]
            return np.stack(columns, axis=-1).reshape(at.size, *values.shape[1:])

        return between(self.scattering), between(self.reference)
