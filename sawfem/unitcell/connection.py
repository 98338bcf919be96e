"""How the electrodes of a cell are connected, and the small model of a cell so connected.

"hot" electrodes share the bus-bar of the voltage, "ground" electrodes the one at zero potential,
and a "floating" one keeps the potential at which its charge is zero. With T the potentials of the
electrodes for unit potential of each floating one and of the hot bus-bar (last), the unknowns
become (reduced, floating, hot), and every matrix T^T A T: what floats is one more unknown beside
those of the fields, and what is left is a cell with a single electrode.

At a phase of 2 pi (a cell as long as the wave) all cells do the same, and the admittance of the
hot bus-bar is what a device sees per cell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import GeometryError
from sawfem.unitcell.reduced import ReducedSystem

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

Connection = Literal["hot", "ground", "floating"]
CONNECTIONS: tuple[Connection, ...] = ("hot", "ground", "floating")


def check_connections(connections: Sequence[str], electrodes: int) -> tuple[Connection, ...]:
    """The connections of a cell's electrodes, left to right.

    Raises
    ------
    GeometryError : another number of them, an unknown word, no hot or no grounded electrode.
    """
    key = "grating.electrode.connection"
    words = tuple(connections)
    if len(words) != electrodes:
        raise GeometryError(
            key=key, found=f"{len(words)} for {electrodes} electrodes", expected="one for each"
        )
    for word in words:
        if word not in CONNECTIONS:
            raise GeometryError(key=key, found=f"{word!r}", expected=", ".join(CONNECTIONS))
    for needed in ("hot", "ground"):
        if needed not in words:
            raise GeometryError(
                key=key,
                found=f"no {needed} electrode",
                expected="at least one hot and one grounded electrode a period",
            )
    return words  # type: ignore[return-value]


@dataclass(frozen=True)
class ConnectedSystem(ReducedSystem):
    """A reduced system whose electrodes are connected: one electrode, the hot bus-bar.

    Attributes
    ----------
    links : (electrodes, floating + 1) potentials of all electrodes, T of the module docstring.
    connections : of the electrodes, left to right.
    """

    links: Array = field(repr=False)
    connections: tuple[Connection, ...]

    @property
    def electrodes(self) -> int:
        """One: the hot bus-bar."""
        return 1

    @property
    def order(self) -> int:
        """Number of reduced unknowns, the floating electrodes among them."""
        return int(self.basis.shape[1] + self.links.shape[1] - 1)

    def expand(self, vector: Complex) -> Complex:
        """Reduced unknowns -> all unknowns of the full system."""
        fields = int(self.basis.shape[1])
        tied = np.zeros(self.links.shape[1], dtype=complex)
        tied[: vector.shape[0] - fields] = vector[fields:]
        return np.concatenate([self.basis @ vector[:fields], self.links @ tied]).astype(complex)

    def restrict(self, vectors: NDArray[Any]) -> NDArray[Any]:
        """V^T of vectors over all unknowns (n, m): fields, then what floats; (order, m)."""
        tied = self.links[:, :-1].T @ vectors[self.basis.shape[0] :]
        return np.vstack([super().restrict(vectors), tied])


def connect(model: ReducedSystem, connections: Sequence[str]) -> ConnectedSystem:
    """The same small model with its electrodes connected. Raises as ``check_connections``."""
    words = check_connections(connections, model.electrodes)
    floating = [index for index, word in enumerate(words) if word == "floating"]
    links = np.zeros((len(words), len(floating) + 1))
    links[floating, range(len(floating))] = 1.0
    links[[index for index, word in enumerate(words) if word == "hot"], -1] = 1.0
    fields = model.order
    T = np.zeros((fields + len(words), fields + links.shape[1]))
    T[:fields, :fields] = np.eye(fields)
    T[fields:, fields:] = links
    return ConnectedSystem(
        system=model.system,
        centre=model.centre,
        basis=model.basis,
        factor=model.factor,
        stiffness=T.T @ model.stiffness @ T,
        mass=T.T @ model.mass @ T,
        bottom=model.bottom @ T,
        top=model.top @ T,
        links=links,
        connections=words,
    )
