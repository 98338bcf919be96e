"""A wave against depth: displacement, potential, energy by layer, penetration depth.

Energies are averages in time for fields exp(j w t), per area of the surface:

    kinetic  (w^2/4) int rho |u|^2,   strain  (1/4) int c S S*,   electric  (1/4) int eps E E*,

the strain energy at constant field and the electric energy at constant strain, the vacuum above
a free surface included. For a guided wave kinetic = strain + electric (equipartition), and the
velocity of the energy is the group velocity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sawfem.conventions import FIELD
from sawfem.errors import InputError
from sawfem.planewave.generalised import Array, ComplexArray
from sawfem.planewave.roots import bracketed_root
from sawfem.planewave.stack_wave import StackWave
from sawfem.planewave.wave_fields import HalfSpaceField, SlabField, gauss, propagator
from sawfem.planewave.wave_form import WaveForm

#: Share of the kinetic energy above the penetration depth: that of a single exponential
#: exp(-d / D) down to d = D.
SHARE = 1.0 - np.exp(-2.0)


@dataclass(frozen=True, eq=False)
class EnergyShare:
    """Shares of the whole energy of the wave, time averages; they add up to one over all bodies.

    ``body`` is "vacuum", "layer[i]" (i = 0 the lowest), "substrate" or "air below" a membrane.
    """

    body: str
    kinetic: float
    strain: float
    electric: float

    @property
    def total(self) -> float:
        """All three together."""
        return self.kinetic + self.strain + self.electric


@dataclass(frozen=True, eq=False)
class DepthProfile:
    """Fields of one wave against depth.

    Attributes
    ----------
    depth : (m,), metres below the surface, ascending.
    displacement : (m, 3), metres; the largest component at the surface is real, and the largest
        |u| among the points is 1 m.
    potential : (m,), volts, to the same scale.
    body : (m,), 0 in the substrate, 1 + i in layer i (0 the lowest).
    """

    depth: Array
    displacement: ComplexArray
    potential: ComplexArray
    body: Array

    def __repr__(self) -> str:
        return f"<DepthProfile {len(self.depth)} points to {self.depth[-1]:.4g} m>"


def depth_profile(wave: StackWave, depth: ArrayLike | None = None) -> DepthProfile:
    """Displacement and potential below the surface.

    Parameters
    ----------
    wave : followed or located.
    depth : metres below the surface, >= 0; default: 401 points through all layers and three
        wavelengths of substrate. A leaky wave grows with depth in the substrate. Below a membrane
        nothing moves, and the potential dies out.

    Raises
    ------
    InputError : a depth that is negative or not finite.
    """
    form = WaveForm(wave)
    if depth is None:
        wavelength = 2.0 * np.pi / wave.wavenumber.real
        more = 0.0 if wave.stack.is_membrane else 3.0 * wavelength
        depth = np.linspace(0.0, wave.stack.thickness + more, 401)
    d = np.sort(np.atleast_1d(np.asarray(depth, dtype=float)))
    if d.size == 0 or not np.all(np.isfinite(d)) or d[0] < 0.0:
        raise InputError(key="depth", found=f"{depth!r:.60}", expected="metres below the surface")
    u = np.zeros((len(d), 4), dtype=complex)
    body = np.zeros(len(d), dtype=int)
    components = list(wave.family)
    for index, piece, top in _pieces(form):
        x = form.system.kappa * (top - d)  # x3 from the top of this piece
        if isinstance(piece, SlabField):
            slack = 1e-12 * piece.height
            inside = np.flatnonzero((x <= slack) & (x > -piece.height - slack))
            local = np.clip(x[inside] + piece.height, 0.0, piece.height)
        else:
            # A membrane's lower face belongs to the membrane.
            inside = np.flatnonzero(x < -1e-9 if wave.stack.is_membrane else x <= 1e-12)
            local = np.minimum(x[inside], 0.0)
        field = piece.at(local)[0]
        u[inside] = 0.0
        u[inside[:, None], components[: field.shape[1]]] = field
        body[inside] = index
    surface = wave.nodal[-1, :3]
    largest = surface[int(np.argmax(np.abs(surface)))]
    u = np.asarray(u * (np.conj(largest) / abs(largest)), dtype=complex)
    u /= np.linalg.norm(u[:, :3], axis=1).max()
    potential = np.asarray(u[:, 3] * FIELD, dtype=complex)
    return DepthProfile(d, np.asarray(u[:, :3]), potential, body)


def _pieces(form: WaveForm) -> list[tuple[int, SlabField | HalfSpaceField, float]]:
    """(body, field, depth of its top in metres) from the surface downwards, substrate last."""
    layers, top = [], 0.0
    for index in range(len(form.field.layers), 0, -1):
        for slab in reversed(form.field.layers[index - 1]):
            layers.append((index, slab, top))
            top += slab.height / form.system.kappa
    return [*layers, (0, form.field.substrate, top)]


def energy_shares(wave: StackWave) -> tuple[EnergyShare, ...]:
    """Where the energy is: vacuum (electric only), layers from the top, substrate.

    Raises
    ------
    InputError : a leaky or damped wave, whose energy grows without bound below it.
    """
    _refuse_leaky(wave)
    form = WaveForm(wave)
    stored: list[tuple[str, Array]] = []
    for body, medium in enumerate(wave.stack.media):
        elastic, field = np.zeros_like(medium.tensor), np.zeros_like(medium.tensor)
        elastic[:, :3, :3, :] = medium.tensor[:, :3, :3, :]
        field[:, 3, 3, :] = -medium.tensor[:, 3, 3, :]
        parts = form.inertia(body), form.stored(body, elastic), form.stored(body, field)
        below = "air below" if wave.stack.is_membrane else "substrate"
        name = f"layer[{body - 1}]" if body else below
        stored.append((name, np.array(parts).real))
    stored.append(("vacuum", np.array([0.0, 0.0, form.vacuum.real])))
    whole = sum(float(parts.sum()) for _, parts in stored)
    return tuple(
        EnergyShare(name, *(float(part / whole) for part in parts))
        for name, parts in reversed(stored)
    )


def energy_velocity(wave: StackWave) -> tuple[float, float]:
    """Power over energy per area of the surface, along x1 and x2, m/s: P / (E_k + E_s + E_e).

    Equal to the group velocity of a guided wave. InputError for leaky and damped waves.
    """
    _refuse_leaky(wave)
    form = WaveForm(wave)
    kinetic = sum(share.kinetic for share in energy_shares(wave))  # of a whole of one
    energy = sum(form.inertia(body).real for body in range(len(form.moments))) / kinetic
    # P_i = -(w/2) Im int T_iJ U_J* dx3 = (w/4) dF/dk_i, and the form holds four times the energy.
    along = wave.velocity * form.by_wavenumber.real / energy
    across = wave.velocity * form.by_wavenumber_across.real / energy
    return along, across


def penetration_depth(wave: StackWave, share: float = SHARE) -> float:
    """Depth above which ``share`` of the kinetic energy lies, metres below the surface.

    With the default 1 - exp(-2) = 86.5 % it is the depth at which the amplitude of a wave with a
    single exponential has fallen to 1/e, for example of a Bleustein-Gulyaev wave.

    Raises
    ------
    InputError : a leaky or damped wave; or a share that is not between 0 and 1.
    """
    _refuse_leaky(wave)
    if not 0.0 < share < 1.0:
        raise InputError(key="share", found=f"{share!r}", expected="a number between 0 and 1")
    form = WaveForm(wave)
    pieces = _pieces(form)
    whole = [_kinetic(form, body, piece, 0.0) for body, piece, _ in pieces]
    left = share * sum(whole)
    for (body, piece, top), inside in zip(pieces, whole, strict=True):
        if left > inside and isinstance(piece, SlabField):
            left -= inside
            continue
        rest = inside - left

        def excess(
            x: float,
            body: int = body,
            piece: SlabField | HalfSpaceField = piece,
            rest: float = rest,
        ) -> float:
            return _kinetic(form, body, piece, x) - rest

        far = piece.height if isinstance(piece, SlabField) else 1.0
        while isinstance(piece, HalfSpaceField) and excess(far) > 0.0:
            far *= 2.0
        return top + bracketed_root(excess, 0.0, far) / form.system.kappa
    raise AssertionError("the substrate comes last and holds the rest")


def _kinetic(form: WaveForm, body: int, piece: SlabField | HalfSpaceField, below: float) -> float:
    """Integral of rho |u|^2 deeper than ``below`` (in units of 1/kappa) under the piece's top."""
    moving = [place for place, component in enumerate(form.wave.family) if component < 3]
    density = form.wave.stack.media[body].density
    if isinstance(piece, HalfSpaceField):
        down = propagator(piece.generator, np.array([-below]))[0]
        plain = form.moments[0].plain[np.ix_(form.wave.family, form.wave.family)]
        # W = conj(U) here, so that P carries over with exp on both sides.
        return float(
            density * np.trace((down.conj() @ plain @ down.T)[np.ix_(moving, moving)]).real
        )
    height = piece.height - below
    if height <= 0.0:
        return 0.0
    x, weights = gauss(height, piece.panels)
    return float(density * (weights @ np.sum(np.abs(piece.at(x)[0][:, moving]) ** 2, axis=1)))


def _refuse_leaky(wave: StackWave) -> None:
    if not wave.is_guided:
        raise InputError(
            key="wave",
            found=f"a wave at {wave.velocity:.6g} m/s that loses {wave.attenuation:.2g} dB per "
            "wavelength",
            expected="a wave that neither leaks nor is damped: others have no finite energy",
        )
