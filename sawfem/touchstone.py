"""Touchstone files that others wrote: read as data, checked line by line, refused in one sentence.

scikit-rf reads the format (EIA/IBIS open standard, versions 1.1 and 2.0); here stands what a file
must keep so that its numbers can be trusted: as many values a row as its ports need, units of the
standard, frequencies that rise, finite numbers, a size that a sweep can have.
"""

from __future__ import annotations

import math
import re
import warnings
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import InputError, NotFoundError

#: A file of more bytes, or with more frequencies, is refused.
MOST_BYTES, MOST_POINTS = 32_000_000, 200_000
#: Gain |b|^2/|a|^2 beyond which a passive device cannot have been measured well.
GROSS_GAIN = 1.05

_SUFFIX = re.compile(r"\.s([1-9][0-9]?)p", re.IGNORECASE)
_UNITS = ("hz", "khz", "mhz", "ghz")
_PARAMETERS = ("s", "y", "z", "h", "g")
_FORMATS = ("ma", "db", "ri")
_WHAT = "a Touchstone file .sNp of scattering parameters"


@dataclass(frozen=True, eq=False)
class TouchstoneData:
    """What a file holds.

    Attributes
    ----------
    frequency : (K,) in hertz, increasing. scattering : (K, n, n), power waves.
    reference : (K, n) in ohm. file : its name, for messages.
    warnings : sentences about what is odd in it and was taken as it stands.
    """

    frequency: NDArray[np.float64] = field(repr=False)
    scattering: NDArray[np.complex128] = field(repr=False)
    reference: NDArray[np.complex128] = field(repr=False)
    file: str
    warnings: tuple[str, ...] = ()

    @property
    def ports(self) -> int:
        """Number of ports, n."""
        return int(self.scattering.shape[-1])


def read_touchstone(path: str | Path, *, ports: int | None = None) -> TouchstoneData:
    """Read a Touchstone file.

    Parameters
    ----------
    ports : how many it must have; None takes any.

    Raises
    ------
    NotFoundError : there is no such file.
    InputError : it is not such a file, or not to be used; file, line, what was found and expected.
    """
    place = Path(path)
    text = _text(place)
    count = _Scan(place.name, _suffix_ports(place)).read(text)
    if ports is not None and count != ports:
        raise InputError(
            file=place.name,
            found=f"{count} port{'s' if count > 1 else ''}",
            expected=f"{ports}, as the device has",
        )
    frequency, scattering, reference = _parsed(place)
    _check_numbers(place.name, frequency, scattering, reference, count)
    return TouchstoneData(
        frequency, scattering, reference, place.name, _odd(place.name, frequency, scattering)
    )


def _text(path: Path) -> str:
    """The text of a file, or the error that says why there is none."""
    if not path.is_file():
        found = "a folder" if path.is_dir() else "no such file"
        raise NotFoundError(file=path.name, found=found, expected="a Touchstone file")
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise InputError(
                file=path.name,
                found=f"{size / 1e6:.0f} MB",
                expected=f"at most {MOST_BYTES / 1e6:.0f} MB",
            )
        raw = path.read_bytes()
    except OSError as error:
        raise InputError(
            file=path.name,
            found=(error.strerror or "an error").lower(),
            expected="a file that can be read",
        ) from None
    if b"\0" in raw[:4096] and not raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(file=path.name, found="no Touchstone data (binary)", expected=_WHAT)
    text = raw.decode("utf-8", errors="replace")
    if not text.strip():
        raise InputError(file=path.name, found="an empty file", expected=_WHAT)
    return text


def _suffix_ports(path: Path) -> int | None:
    """Ports by the suffix; None for .ts, whose keywords say them. Raises InputError for others."""
    if path.suffix.lower() == ".ts":
        return None
    match = _SUFFIX.fullmatch(path.suffix)
    if match is None:
        raise InputError(
            file=path.name,
            found=f'no Touchstone data (suffix "{path.suffix[:20]}")',
            expected=_WHAT,
        )
    return int(match.group(1))


@dataclass
class _Scan:
    """One pass over the lines: the option line, the rows, their numbers."""

    file: str
    ports: int | None

    def refuse(self, line: int, found: str, expected: str) -> InputError:
        return InputError(file=self.file, key=f"line {line}", found=found, expected=expected)

    def read(self, text: str) -> int:
        """The number of ports of a file that keeps the rules. Raises InputError."""
        options = False
        keyworded = data_began = False
        values: list[tuple[int, list[float]]] = []
        for number, raw in enumerate(text.splitlines(), 1):
            line = raw.partition("!")[0].strip()
            if not line:
                continue
            if line.startswith("#"):
                if not options:
                    self._options(number, line)
                options = True
            elif line.startswith("["):
                keyworded = True
                word = line.partition("]")[0][1:].strip().lower()
                data_began = word == "network data"
                if word == "number of ports":
                    self._count(number, line.partition("]")[2])
            elif data_began or not keyworded:
                values.append((number, self._numbers(number, line)))
        if not values:
            raise InputError(file=self.file, found="no data", expected="rows of numbers")
        if self.ports is None:
            raise InputError(file=self.file, found="no [Number of Ports]", expected="that keyword")
        if not keyworded:
            self._rows(values)
        return self.ports

    def _options(self, number: int, line: str) -> None:
        """The option line: # unit parameter format R ohms, in any order, each with a default."""
        words = line[1:].split()
        at = 0
        while at < len(words):
            word = words[at].lower()
            if word == "r":
                at += 1
                given = words[at] if at < len(words) else "nothing"
                if not _positive(given):
                    raise self.refuse(number, f"R {given[:20]}", "R and a reference above 0 ohm")
            elif word in _PARAMETERS and word != "s":
                raise self.refuse(number, f"parameters {word.upper()}", "scattering parameters, S")
            elif word not in (*_UNITS, "s", *_FORMATS):
                raise self.refuse(
                    number,
                    f'"{words[at][:20]}"',
                    "an option line # unit S format R ohms, unit one of Hz, kHz, MHz, GHz, "
                    "format one of MA, DB, RI",
                )
            at += 1

    def _count(self, number: int, text: str) -> None:
        word = text.strip()
        if not (word.isascii() and word.isdigit() and 0 < int(word[:6]) < 100):
            raise self.refuse(number, f'"{word[:20]}" ports', "a count of ports, 1 to 99")
        if self.ports not in (None, int(word)):
            raise self.refuse(number, f"{int(word)} ports", f"{self.ports}, as the suffix says")
        self.ports = int(word)

    def _numbers(self, number: int, line: str) -> list[float]:
        found = []
        for word in line.split():
            try:
                value = float(word)
            except ValueError:
                shown = f'"{word[:20]}"'
                raise self.refuse(number, f"no Touchstone data ({shown})", "numbers") from None
            if not math.isfinite(value):
                raise self.refuse(number, f"NaN or infinity ({word[:12]})", "finite numbers")
            found.append(value)
        return found

    def _rows(self, values: list[tuple[int, list[float]]]) -> None:
        """Rows of version 1: the counts that the ports need, frequencies that rise."""
        ports = self.ports or 0
        need = 2 * ports**2 + 1
        last, row, begun = -math.inf, 0, 0
        points = 0
        noise = False
        for number, numbers in values:
            if ports == 2 and row == 0 and len(numbers) == 5:
                noise = True  # noise parameters follow S of a two-port, and are not used
                continue
            if row == 0:
                begun = number
                if noise or (ports <= 2 and len(numbers) != need):
                    raise self.refuse(
                        number,
                        f"{len(numbers)} numbers a row",
                        f"{need}, of {ports} port{'s' if ports > 1 else ''} as the suffix says",
                    )
                if numbers[0] <= last:
                    raise self.refuse(
                        number,
                        f"frequency {numbers[0]:.9g} after {last:.9g}",
                        "increasing frequencies",
                    )
                last = numbers[0]
                points += 1
            row += len(numbers)
            if row > need:
                raise self.refuse(
                    number,
                    f"{row} numbers from line {begun} on",
                    f"{need} a frequency, of {ports} ports as the suffix says",
                )
            row = 0 if row == need else row
        if row:
            raise self.refuse(
                begun, f"{row} numbers", f"{need} a frequency, of {ports} ports as the suffix says"
            )
        if points == 0:
            raise InputError(file=self.file, found="no data", expected="rows of numbers")


def _positive(word: str) -> bool:
    try:
        return 0.0 < float(word) < math.inf
    except ValueError:
        return False


def _parsed(
    path: Path,
) -> tuple[NDArray[np.float64], NDArray[np.complex128], NDArray[np.complex128]]:
    """Frequencies, S in power waves and references as scikit-rf reads them."""
    import skrf

    try:
        # what the reader warns of is refused below in our own words
        with np.errstate(all="ignore"), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            network = skrf.Network(str(path))
        network.renormalize(network.z0, s_def="power")
    except Exception as error:  # any text at all may come from others
        raise InputError(
            file=path.name,
            found=f"no Touchstone data ({type(error).__name__})",
            expected=_WHAT,
        ) from None
    return network.f, network.s, network.z0


def _check_numbers(
    file: str,
    frequency: NDArray[np.float64],
    scattering: NDArray[np.complex128],
    reference: NDArray[np.complex128],
    ports: int,
) -> None:
    """Refuse arrays that no device can be compared with."""
    if scattering.shape[-1] != ports:
        raise InputError(
            file=file, found=f"{scattering.shape[-1]} ports", expected=f"{ports}, as it says"
        )
    if frequency.size > MOST_POINTS:
        raise InputError(
            file=file, found=f"{frequency.size} frequencies", expected=f"at most {MOST_POINTS}"
        )
    finite = np.isfinite(scattering).all() and np.isfinite(frequency).all()
    if not (finite and np.isfinite(reference).all()):
        raise InputError(file=file, found="NaN or infinity", expected="finite numbers")
    if frequency.size and frequency[0] < 0.0:
        raise InputError(
            file=file, found=f"{frequency[0]:.9g} Hz", expected="frequencies of 0 Hz or more"
        )
    step = np.flatnonzero(np.diff(frequency) <= 0.0)
    if step.size:
        before, after = frequency[step[0]], frequency[step[0] + 1]
        raise InputError(
            file=file,
            found=f"frequency {after:.9g} Hz after {before:.9g} Hz",
            expected="increasing frequencies",
        )


def _odd(
    file: str, frequency: NDArray[np.float64], scattering: NDArray[np.complex128]
) -> tuple[str, ...]:
    """A sentence where more power comes out than goes in."""
    gain = np.linalg.norm(scattering, 2, axis=(1, 2)) ** 2
    at = int(np.argmax(gain))
    if gain[at] <= GROSS_GAIN:
        return ()
    beyond = int(np.count_nonzero(gain > GROSS_GAIN))
    return (
        f"{file}: not passive: up to {gain[at]:.3g} times the power that goes in comes out, at "
        f"{frequency[at] / 1e6:.6g} MHz, above {GROSS_GAIN:g} at {beyond} of {gain.size} "
        "frequencies; a calibration or a fixture may be at fault",
    )
