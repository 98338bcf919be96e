"""Fits of an equivalent circuit to a one-port (sawfem/measured/motional.py).

Three steps: rational fits of the admittance give first circuits (vector fitting, Gustavsen &
Semlyen, IEEE Trans. Power Delivery 14, 1052 (1999); scikit-rf does it); each is improved with no
element below zero; the best goes to the least squares that give the errors. A pole p = -a + j b of
residue r is an arm of L = 1/(2 Re r), R = 2 a L, C = 1/(L |p|^2).
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from scipy import optimize

from sawfem.device.pmatrix import FloatArray
from sawfem.measured.fitting import OnePortData, OnePortFit, passive, positions, restricted
from sawfem.measured.leastsquares import fit
from sawfem.measured.motional import Arm, MotionalCircuit, Static, first_circuit

#: Fewest points of a rational fit, and the least that an element may be in the second step.
FEWEST, LEAST = 8, 1.0e-6
#: Places at which another arm is tried.
PLACES = 4


def fit_circuit(
    data: OnePortData,
    *,
    arms: int = 1,
    static: Static = "series",
    free: Sequence[str] | None = None,
    start: MotionalCircuit | None = None,
    watch: Callable[[int, int], None] = lambda done, total: None,
) -> tuple[OnePortFit, MotionalCircuit]:
    """An equivalent circuit with so many motional arms.

    ``free`` names the parameters sought ("arms" for all of all arms), all where left out; a
    resistance of the static part that is not among them is zero. ``start`` takes the place of the
    first two steps; ``watch`` is told (arms found, arms asked for). A loss that comes out negative
    is held at zero, and the rest fitted again. ``begin`` of the answer is the first guess, its
    ``start`` where the last step began.

    Raises InputError as :func:`sawfem.measured.leastsquares.fit`.
    """
    guess = start or first_circuit(data.frequency, data.admittance, static)
    best = start
    if best is None:
        for count in range(1, arms + 1):
            watch(count - 1, arms)
            best = _best(data, count, guess, best, free)
    chosen, begin = _prepared(best or guess, free)

    def once(held: Sequence[str]) -> OnePortFit:
        whole = begin.vector()
        fixed = [begin.names.index(name) for name in held]
        whole[fixed] = 0.0
        return _fitted(begin.of(whole), data, [n for n in chosen if n not in fixed])

    found = passive(once)
    circuit = begin.of(found.values)
    return replace(found, begin=guess.admittance(data.frequency), start=begin.vector()), circuit


def _best(
    data: OnePortData,
    arms: int,
    peak: MotionalCircuit,
    before: MotionalCircuit | None,
    free: Sequence[str] | None,
) -> MotionalCircuit:
    """The best circuit of so many arms with no element below zero.

    Tried: the one read from the peaks, rational fits, and the best of one arm less with another.
    """
    guesses = [peak] if before is None else _with_another_arm(before, data)
    for poles in sorted({arms, arms + 1, arms + 3, 2 * arms + 2}):
        more = _by_poles(data, poles, arms, peak)
        if more is not None:
            guesses.append(more)
    found = []
    for guess in guesses:
        chosen, circuit = _prepared(guess, free)
        found.append(_bounded(circuit, data, chosen))
    return min(found, key=lambda pair: pair[0])[1]


def _with_another_arm(circuit: MotionalCircuit, data: OnePortData) -> list[MotionalCircuit]:
    """One arm more where the circuit is farthest from the data: as sharp as the first, or broad."""
    f = data.frequency
    spread = 1.0 if data.spread is None else data.spread
    model, _ = data.seen(circuit.sloped(circuit.vector(), f, slopes=False))
    order = np.argsort(-np.abs((data.values - model) / spread))
    apart = max(1, f.size // 50)
    places: list[int] = []
    for n in order:
        if all(abs(int(n) - other) >= apart for other in places):
            places.append(int(n))
        if len(places) == PLACES:
            break
    first = max(circuit.arms, key=lambda arm: arm.capacitance)
    found = []
    for place in places:
        for quality in (min(max(first.quality, 50.0), 3000.0), 30.0):
            c = 0.1 * first.capacitance
            r = 1.0 / (2.0 * np.pi * f[place] * c * quality)
            arm = Arm(float(f[place]) * (1.0 + 1e-7), c, float(r))
            found.append(replace(circuit, arms=(*circuit.arms, arm)))
    return found


def _by_poles(
    data: OnePortData, poles: int, arms: int, like: MotionalCircuit
) -> MotionalCircuit | None:
    """The strongest arms of a rational fit with so many pairs of poles; None without enough.

    The strength of an arm is its conductance at resonance, Re r/a.
    """
    import skrf
    from skrf.vectorFitting import VectorFitting

    f = data.frequency
    if f.size < max(FEWEST, 3 * poles):
        return None
    axis = skrf.Frequency.from_f(f, unit="hz")
    y = data.admittance
    network = skrf.Network(frequency=axis, s=data.scattering[:, None, None], z0=data.reference)
    rational = VectorFitting(network)
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            rational.vector_fit(
                n_poles_real=0,
                n_poles_cmplx=poles,
                init_pole_spacing="lin",
                parameter_type="y",
                fit_constant=True,
                fit_proportional=True,
            )
    except (ValueError, RuntimeError, np.linalg.LinAlgError):
        return None
    width = f[-1] - f[0]
    good = []
    for p, r in zip(rational.poles, rational.residues[0], strict=True):
        place = abs(p) / (2.0 * np.pi)
        if p.real < 0.0 < r.real and f[0] - width < place < f[-1] + width:
            inductance = 0.5 / r.real
            arm = Arm(
                float(place), float(1.0 / (inductance * abs(p) ** 2)), -2.0 * p.real * inductance
            )
            good.append((-r.real / p.real, arm))
    if len(good) < arms:
        return None
    good.sort(key=lambda pair: -pair[0])
    chosen = tuple(arm for _, arm in sorted(good[:arms], key=lambda pair: pair[1].frequency))
    proportional = float(np.real(rational.proportional_coeff[0]))
    if not (np.isfinite(proportional) and proportional > 0.0):
        proportional = like.capacitance
    top = float(np.max(y.real))
    series = 0.05 / top if top > 0.0 else like.series_resistance
    return replace(like, capacitance=proportional, arms=chosen, series_resistance=series)


def _prepared(
    circuit: MotionalCircuit, free: Sequence[str] | None
) -> tuple[list[int], MotionalCircuit]:
    """Places of the free parameters, and the circuit with zeros for losses that are not."""
    names = circuit.names
    if free is None:
        return list(range(len(names))), circuit
    listed = [name for name in free if name != "arms"]
    if "arms" in free:
        listed += [name for name in names if name.startswith("arm")]
    chosen = positions(listed, names)
    full = circuit.vector()
    for n, name in enumerate(names):
        if n > 0 and "arm" not in name and n not in chosen:
            full[n] = 0.0
    return chosen, circuit.of(full)


def _bounded(
    circuit: MotionalCircuit, data: OnePortData, chosen: Sequence[int]
) -> tuple[float, MotionalCircuit]:
    """The cost and the circuit of least squares with no element below zero."""
    picked = list(chosen)
    full, f = circuit.vector(), data.frequency
    scale = circuit.scale()[picked]
    model = restricted(data, lambda x: circuit.sloped(x, f), full, picked)
    weight = np.ones(f.size) if data.spread is None else data.spread
    low = np.full(len(picked), LEAST)
    high = np.full(len(picked), np.inf)
    width = f[-1] - f[0]
    for n, place in enumerate(picked):
        if circuit.names[place].endswith("_frequency"):
            low[n] = max(f[0] - width, 0.2 * f[0]) / scale[n]
            high[n] = (f[-1] + width) / scale[n]

    def residual(x: FloatArray) -> FloatArray:
        apart = (model(x * scale)[0] - data.values) / weight
        return np.concatenate([apart.real, apart.imag])

    def jacobian(x: FloatArray) -> FloatArray:
        slopes = model(x * scale)[1] * scale[:, None] / weight
        return np.concatenate([slopes.real, slopes.imag], axis=1).T

    begin = np.clip(full[picked] / scale, low * 1.01, high / 1.01)
    found = optimize.least_squares(
        residual, begin, jacobian, bounds=(low, high), x_scale="jac", max_nfev=150, xtol=1e-9
    )
    whole = full.copy()
    whole[picked] = found.x * scale
    return float(found.cost), circuit.of(whole)


def _fitted(circuit: MotionalCircuit, data: OnePortData, chosen: Sequence[int]) -> OnePortFit:
    """Least squares from a circuit, without bounds."""
    picked = list(chosen)
    full, f = circuit.vector(), data.frequency
    model = restricted(data, lambda x: circuit.sloped(x, f), full, picked)
    estimate = fit(
        model,
        data.values,
        full[picked],
        circuit.scale()[picked],
        tuple(circuit.names[n] for n in picked),
        weights=data.spread,
        noise=data.noise,
        evaluations=400,
    )
    whole = full.copy()
    whole[picked] = estimate.values
    return OnePortFit(
        data=data,
        estimate=estimate,
        names=circuit.names,
        values=whole,
        start=full,
        admittance=circuit.of(whole).admittance(f),
        begin=circuit.admittance(f),
    )
