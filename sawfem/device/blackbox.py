"""A part that somebody measured or computed elsewhere: scattering over frequency."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.errors import InputError


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
        import skrf

        shown = path.name
        if not path.is_file():
            raise InputError(file=shown, found="no such file", expected="a Touchstone file")
        try:
            # warnings of the reader concern noise data and comments, which are not used here
            with np.errstate(all="ignore"):
                network = skrf.Network(str(path))
            network.renormalize(network.z0, s_def="power")
            _refuse_steps_back(path, network.nports)
        except InputError:
            raise
        except Exception as error:  # any text at all may come from others
            raise InputError(
                file=shown,
                found=f"no Touchstone data ({type(error).__name__})",
                expected="a Touchstone file .sNp of scattering parameters",
            ) from None
        return cls(network.f, network.s, network.z0, shown)

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


def _refuse_steps_back(path: Path, ports: int) -> None:
    """Raise InputError for rows of one or two ports whose frequency does not increase.

    Readers take a step back as the start of noise data (Touchstone 1.1), which has five columns;
    a full row of scattering there is a mistake.
    """
    if ports > 2:
        return
    last = -np.inf
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        row = line.partition("!")[0].split()
        if len(row) != 2 * ports**2 + 1 or row[0].startswith(("#", "[")):
            continue
        try:
            here = float(row[0])
        except ValueError:
            continue
        if here <= last:
            raise InputError(
                file=path.name,
                found=f"frequency {row[0]} after {last:.9g}",
                expected="increasing frequencies",
            )
        last = here
