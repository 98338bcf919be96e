"""A device of several ports as a rational admittance: poles in pairs, for netlists.

    Y(s) = G + s C + 1/(s L) + sum_k R_k/(s - p_k) + conj(R_k)/(s - conj(p_k)),

symmetric real G, C and symmetric complex R_k, L of single ports, all poles to the left of the
imaginary axis. C and L are positive: what the band says otherwise is left to the other terms.

Poles. Vector fitting (Gustavsen & Semlyen, IEEE Trans. Power Delivery 14, 1052 (1999), with the
relaxed constraint of Gustavsen, ibid. 21, 1587 (2006), and one QR factorisation an entry:
Deschrijver, Mrozowski, Dhaene, De Zutter, IEEE Microw. Wireless Compon. Lett. 18, 383 (2008); from
memory) diverges on narrow bands when it is given s itself: over a few per cent of bandwidth a pole
and its conjugate far away, the constant and the proportional term look all alike. Here the poles
are found in

    z = j (f - f0)/h,     f0 the middle of the band, h half its width,

without conjugates: the data are those of a low-pass with complex coefficients, whose poles start
evenly over the band. Only the last step, linear in what it seeks, has the conjugates and s. Delays
stay in: the admittance of a transversal filter is as long as its impulse response with shorted
ports, whose echoes are made by what ends them, and takes some (length x bandwidth) poles.

Passive is Y whose real part has no negative eigenvalue at any frequency. With A, B, C, D of the
states and D = G, the frequencies at which one vanishes are imaginary eigenvalues of

    [[A - B W C, B W B^T], [-C^T W C, -A^T + C^T W B^T]],   W = (D + D^T)^-1

(Boyd, Balakrishnan, Kabamba, Math. Control Signals Syst. 2, 207 (1989); Grivet-Talocia, IEEE
Trans. Circuits Syst. I 51, 1755 (2004); from memory). Where one is negative, residues and G are
moved by the least change of Y in the band, a sum of squares, that lifts it to first order (least
distance programming: Lawson & Hanson, Solving Least Squares Problems, 1974, chapter 23), some
times over; what is then still missing is added as a conductance from every port to its other end,
the same at all frequencies (:func:`made_passive`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.errors import InputError

#: Steps of the search for poles, and the relative movement at which it rests.
STEPS, REST = 12, 1e-6
#: Pole counts: the fewest, the growth from one to the next, the most.
FEWEST, GROWTH, MOST = 6, 1.25, 45
#: Frequencies for each pole that the search for poles uses at most.
DENSE = 14
#: Poles whose part of Y is below this share of the largest |Y| of their entry are dropped.
NOTHING = 1e-9
#: Share of the added conductance that goes beyond what is missing.
BEYOND = 0.05
#: Weight on poles outside of the band, whose parts the data hardly tell, against the data.
OUTSIDE = 1e-5
#: Times that residues are moved, and frequencies at which Re Y is lifted at most each time.
LIFTS, LIFTED = 8, 150


@dataclass(frozen=True, eq=False)
class RationalAdmittance:
    """Y(s) of the module docstring.

    Attributes
    ----------
    poles : (K,) rad/s, upper half plane. residues : (K, n, n) S rad/s.
    conductance, capacitance : (n, n), S and F. inverse_inductance : (n,) 1/H.
    band : Hz, where it was fitted. added : S, conductance added to every port for passivity.
    """

    poles: ComplexArray
    residues: ComplexArray
    conductance: FloatArray
    capacitance: FloatArray
    inverse_inductance: FloatArray
    band: tuple[float, float]
    added: float = 0.0

    @property
    def ports(self) -> int:
        """Number of ports, n."""
        return int(self.conductance.shape[0])

    def at(self, frequency: FloatArray) -> ComplexArray:
        """Y (F, n, n) in siemens at frequencies (F,), Hz."""
        s = 2j * np.pi * np.asarray(frequency, dtype=float)[:, None]
        up, down = 1.0 / (s - self.poles), 1.0 / (s - self.poles.conj())
        y = np.einsum("fk,kij->fij", up, self.residues)
        y += np.einsum("fk,kij->fij", down, self.residues.conj())
        coils = np.diag(self.inverse_inductance)
        s = s[:, :, None]
        return np.asarray(y + self.conductance + s * self.capacitance + coils / s)

    def least(self, frequency: FloatArray) -> FloatArray:
        """Smallest eigenvalue of Re Y (F,), S."""
        return np.asarray(np.linalg.eigvalsh(self.at(frequency).real)[:, 0])

    def crossings(self, shift: float = 0.0) -> FloatArray:
        """Frequencies, Hz, at which an eigenvalue of Re Y + ``shift`` passes zero (n,).

        Raises InputError where the conductance with the shift is singular.
        """
        scale = 2.0 * math.pi * 0.5 * sum(self.band)
        n, K = self.ports, self.poles.size
        p = self.poles / scale
        blocks, outputs = np.zeros((2 * K, 2 * K)), np.zeros((2 * K, n, n))
        drive = np.zeros((2 * K, 1))
        drive[::2] = 2.0
        for k in range(K):
            at, R = slice(2 * k, 2 * k + 2), self.residues[k] / scale
            blocks[at, at] = [[p[k].real, p[k].imag], [-p[k].imag, p[k].real]]
            outputs[2 * k], outputs[2 * k + 1] = R.real, R.imag
        A, B = np.kron(blocks, np.eye(n)), np.kron(drive, np.eye(n))
        C = outputs.transpose(1, 0, 2).reshape(n, 2 * K * n)
        twice = 2.0 * (self.conductance + shift * np.eye(n))
        unit = float(np.abs(C).max()) or 1.0
        C, twice = C / unit, twice / unit
        if np.linalg.matrix_rank(twice) < n:
            raise InputError(key="conductance", found="singular", expected="none of its ports free")
        W = np.linalg.inv(twice)
        H = np.block([[A - B @ W @ C, B @ W @ B.T], [-C.T @ W @ C, -A.T + C.T @ W @ B.T]])
        found = np.linalg.eigvals(H)
        near = np.abs(found.real) < 1e-8 * np.maximum(np.abs(found), 1e-3)
        return np.unique(np.abs(found[near].imag)) * scale / (2.0 * math.pi)


@dataclass(frozen=True, eq=False)
class PoleFit:
    """A rational admittance fitted to data.

    ``frequency`` (F,) Hz, ``data`` Y (F, n, n) S; ``tried`` : (pairs of poles, largest |dS|) on
    the way.
    """

    model: RationalAdmittance
    frequency: FloatArray = field(repr=False)
    data: ComplexArray = field(repr=False)
    tried: tuple[tuple[int, float], ...] = ()


def fit_poles(
    frequency: FloatArray,
    admittance: ComplexArray,
    difference: object,
    *,
    weights: FloatArray | None = None,
    tolerance: float = 1e-3,
    most: int = MOST,
) -> PoleFit:
    """As many poles as it takes.

    Parameters
    ----------
    frequency, admittance : (F,) Hz, increasing, and (F, n, n) S, reciprocal.
    difference : callable, model Y (F, n, n) -> the number to be brought to ``tolerance``, such as
        the largest |dS| between some terminations.

    weights : (F,) how much a change of Y counts at each frequency, tried beside counting alike.

    The passive model of the fewest poles that keep the tolerance; of the best where none does.
    Raises InputError for data that are no numbers, too few, or not reciprocal.
    """
    f, y = np.asarray(frequency, dtype=float), np.asarray(admittance, dtype=complex)
    _check(f, y)
    assert callable(difference)
    alike = np.ones(f.size)
    ways = [alike] if weights is None else [alike, weights / np.max(weights)]
    tried: list[tuple[int, float]] = []
    best: tuple[float, RationalAdmittance] | None = None
    count = FEWEST
    while count <= min(most, f.size // 3):
        models = [made_passive(_fitted(f, y, find_poles(f, y, count, w), w)) for w in ways]
        errors = [float(difference(one.at(f))) for one in models]
        apart = min(errors)
        model = models[errors.index(apart)]
        tried.append((count, apart))
        if best is None or apart < best[0]:
            best = apart, model
        if apart <= tolerance:
            break
        count = math.ceil(GROWTH * count)
    assert best is not None
    return PoleFit(best[1], f, y, tuple(tried))


def _check(f: FloatArray, y: ComplexArray) -> None:
    if f.size < 3 * FEWEST or np.any(np.diff(f) <= 0.0) or y.shape[:1] != f.shape:
        raise InputError(
            key="frequency", found=f"{f.size} of them", expected=f"{3 * FEWEST}, increasing"
        )
    if not np.all(np.isfinite(y)):
        raise InputError(
            key="admittance", found="no finite numbers", expected="ports that are not shorted"
        )
    if np.abs(y - y.swapaxes(1, 2)).max() > 1e-3 * np.abs(y).max():
        raise InputError(key="admittance", found="Y12 unlike Y21", expected="a reciprocal device")


def _upper(y: ComplexArray) -> tuple[ComplexArray, list[tuple[int, int]]]:
    """Entries (F, M) on and above the diagonal, and where they stand."""
    n = y.shape[-1]
    places = [(i, j) for i in range(n) for j in range(i, n)]
    sym = 0.5 * (y + y.swapaxes(1, 2))
    return np.column_stack([sym[:, i, j] for i, j in places]), places


def find_poles(
    frequency: FloatArray,
    admittance: ComplexArray,
    count: int,
    weights: FloatArray | None = None,
) -> ComplexArray:
    """Common poles (count,) of all entries in the low-pass variable z; stable."""
    step = max(1, frequency.size // (DENSE * count))
    f = frequency[::step]
    H, _ = _upper(admittance[::step])
    w = np.ones(f.size) if weights is None else weights[::step]
    size = np.sqrt(np.mean(np.abs(w[:, None] * H) ** 2, axis=0)) + 1e-300
    H = np.asarray(H / size, dtype=np.complex128)
    z = np.asarray(1j * _lowpass(f, frequency), dtype=np.complex128)
    beta = np.linspace(-1.15, 1.15, count)
    p = np.asarray(-0.5 * (beta[1] - beta[0]) + 1j * beta, dtype=np.complex128)
    for _ in range(STEPS):
        moved = _relocated(z, H, p, w)
        rest = float(np.abs(np.sort_complex(moved) - np.sort_complex(p)).max())
        p = moved
        if rest < REST:
            break
    return p


def _lowpass(f: FloatArray, whole: FloatArray) -> FloatArray:
    """(f - f0)/h of the band of ``whole``."""
    return np.asarray((f - 0.5 * (whole[0] + whole[-1])) / (0.5 * (whole[-1] - whole[0])))


def _relocated(z: ComplexArray, H: ComplexArray, p: ComplexArray, w: FloatArray) -> ComplexArray:
    """Zeros of sigma = d + sum c/(z - p), where sigma H has the poles p: the next poles."""
    ones = np.ones(z.size)
    parts = 1.0 / (z[:, None] - p)
    Q, _ = np.linalg.qr(w[:, None] * np.column_stack([parts, ones, z]))
    sigma = np.column_stack([parts, ones])
    rows = []
    for h in H.T:
        block = -(w * h)[:, None] * sigma
        rows.append(np.linalg.qr(block - Q @ (Q.conj().T @ block))[1])
    # sigma has the mean 1, with a weight like that of the data: never the trivial zero.
    weight = float(np.linalg.norm(w[:, None] * H)) / z.size
    rows.append(weight * sigma.sum(axis=0, keepdims=True))
    A = np.vstack(rows)
    right = np.zeros(len(A), dtype=complex)
    right[-1] = weight * z.size
    scale = np.linalg.norm(A, axis=0)
    c = np.linalg.lstsq(A / scale, right, rcond=None)[0] / scale
    d = c[-1] if abs(c[-1]) > 1e-8 else 1e-8
    found = np.linalg.eigvals(np.diag(p) - np.outer(np.ones(p.size), c[:-1]) / d)
    return np.asarray(-np.maximum(np.abs(found.real), 1e-9) + 1j * found.imag)


def _fitted(f: FloatArray, y: ComplexArray, z: ComplexArray, w: FloatArray) -> RationalAdmittance:
    """Residues, G and C for given poles, with the conjugates: linear least squares, real."""
    h, f0 = 0.5 * (f[-1] - f[0]), 0.5 * (f[0] + f[-1])
    poles = 2.0 * math.pi * (1j * f0 + h * z)
    poles = poles[poles.imag > 0.0]
    H, places = _upper(y)
    model = _residues(f, H, places, poles, w)
    peak = np.abs(model.residues) / -poles.real[:, None, None]
    kept = (peak > NOTHING * np.abs(y).max(axis=0)).any(axis=(1, 2))
    return model if kept.all() else _residues(f, H, places, poles[kept], w)


def _residues(
    f: FloatArray,
    H: ComplexArray,
    places: list[tuple[int, int]],
    poles: ComplexArray,
    w: FloatArray,
) -> RationalAdmittance:
    unit = math.pi * (f[-1] - f[0])  # half the band, rad/s
    s, K, n = 2j * math.pi * f, poles.size, places[-1][0] + 1
    up, down = unit / (s[:, None] - poles), unit / (s[:, None] - poles.conj())
    always = np.hstack([up + down, 1j * (up - down), np.ones((f.size, 1))])
    middle = 2.0 * math.pi * 0.5 * (f[0] + f[-1])
    reactive = s / middle, middle / s
    outside = _outside(poles, f, unit)
    R = np.zeros((poles.size, n, n), dtype=complex)
    G, C, coils = np.zeros((n, n)), np.zeros((n, n)), np.zeros(n)
    for column, (i, j) in enumerate(places):
        # A port has a capacitance and a coil, two ports a bridge, of which none may be negative.
        signs = {0: 1.0, 1: 1.0} if i == j else {0: -1.0}
        while True:
            terms = [reactive[kind][:, None] for kind in signs]
            A = w[:, None] * np.hstack([always, *terms])
            found = _real(A, w * H[:, column], outside)
            values = dict(zip(signs, found[always.shape[1] :], strict=True))
            wrong = [kind for kind, value in values.items() if value * signs[kind] < 0.0]
            if not wrong:
                break
            signs.pop(min(wrong, key=lambda kind: values[kind] * signs[kind]))
        R[:, i, j] = R[:, j, i] = unit * (found[:K] + 1j * found[K : 2 * K])
        G[i, j] = G[j, i] = found[2 * K]
        C[i, j] = C[j, i] = values.get(0, 0.0) / middle
        if i == j:
            coils[i] = values.get(1, 0.0) * middle
    return RationalAdmittance(poles, R, G, _bridged(C), coils, (float(f[0]), float(f[-1])))


def _bridged(C: FloatArray) -> FloatArray:
    """C whose bridges are no more than what their ports have."""
    own = C.sum(axis=1)
    return C if np.all(own >= 0.0) else np.diag(np.maximum(np.diag(C), 0.0))


def _outside(poles: ComplexArray, f: FloatArray, unit: float) -> FloatArray:
    """Weight (2K,) on the peak of each pole that lies beyond the band, in units of its residue."""
    middle = math.pi * (f[0] + f[-1])
    beyond = np.abs(poles.imag - middle) > unit
    peak = np.where(beyond, OUTSIDE * math.sqrt(f.size) * unit / -poles.real, 0.0)
    return np.tile(peak, 2)


def _real(A: ComplexArray, b: ComplexArray, held: FloatArray) -> FloatArray:
    """Real least squares of complex equations; the first unknowns held near zero by weights."""
    rows = np.zeros((held.size, A.shape[1]))
    rows[:, : held.size] = np.diag(held)
    both = np.vstack([A.real, A.imag, rows[held > 0.0]])
    right = np.concatenate([b.real, b.imag, np.zeros(np.count_nonzero(held))])
    scale = np.linalg.norm(both, axis=0)
    return np.asarray(np.linalg.lstsq(both / scale, right, rcond=None)[0] / scale)


def made_passive(model: RationalAdmittance) -> RationalAdmittance:
    """The model with residues moved, and a conductance at its ports, that is passive everywhere.

    Looked at on frequencies as dense as the poles are sharp and far outside of the band; then no
    eigenvalue of the Hamiltonian matrix is imaginary, or the conductance grows until none is.
    """
    for _ in range(LIFTS):
        lifted = _lifted(model)
        if lifted is None:
            break
        model = lifted
    f = _everywhere(model)
    missing = -float(min(model.least(f).min(), np.linalg.eigvalsh(model.conductance)[0]))
    added = max(missing, 0.0) * (1.0 + BEYOND)
    if added == 0.0 and not model.crossings().size:
        return model
    size = float(np.abs(model.at(np.array(model.band))).max())
    added = max(added, 1e-9 * size)
    while model.crossings(added).size and added < size:
        added *= 1.5
    n = model.ports
    return replace(model, conductance=model.conductance + added * np.eye(n), added=added)


def _lifted(model: RationalAdmittance) -> RationalAdmittance | None:
    """The model with the least change in its band that lifts all negative eigenvalues; or None."""
    f = np.append(_everywhere(model), 1e6 * model.band[1])
    values, vectors = np.linalg.eigh(model.at(f).real)
    size = float(np.abs(model.at(np.array(model.band))).max())
    margin = 1e-8 * size
    low = np.argwhere(values < 0.0)
    if not low.size:
        return None
    order = np.argsort(values[tuple(low.T)])
    chosen = low[order[:: max(1, order.size // LIFTED)]]
    K, n = model.poles.size, model.ports
    unit = math.pi * (model.band[1] - model.band[0])

    def basis(at: FloatArray) -> ComplexArray:
        s = 2j * math.pi * at
        up, down = unit / (s[:, None] - model.poles), unit / (s[:, None] - model.poles.conj())
        return np.hstack([up + down, 1j * (up - down), np.ones((at.size, 1))])

    inside = basis(np.linspace(*model.band, 6 * K + 60))
    both = np.vstack([inside.real, inside.imag])
    scale = np.linalg.norm(both, axis=0)
    held = 1e-6 * np.eye(2 * K + 1)
    R = np.linalg.qr(np.vstack([both / scale, held]))[1]
    outer = basis(f[chosen[:, 0]]).real / scale
    solved = np.linalg.solve(R.T, outer.T).T  # rows in the metric of the band
    blocks = []
    for i in range(n):
        for j in range(i, n):
            v = vectors[chosen[:, 0], :, chosen[:, 1]]
            share = v[:, i] * v[:, j] * (1.0 if i == j else math.sqrt(2.0))
            blocks.append(share[:, None] * solved)
    rows = np.hstack(blocks)
    step = _least_distance(rows, margin - values[tuple(chosen.T)])
    if step is None:
        return None
    residues, G = model.residues.copy(), model.conductance.copy()
    parts = iter(np.split(step, len(blocks)))
    for i in range(n):
        for j in range(i, n):
            x = np.linalg.solve(R, next(parts)) / scale / (1.0 if i == j else math.sqrt(2.0))
            residues[:, i, j] += unit * (x[:K] + 1j * x[K : 2 * K])
            G[i, j] += x[-1]
            residues[:, j, i], G[j, i] = residues[:, i, j], G[i, j]
    return replace(model, residues=residues, conductance=G)


def _least_distance(G: FloatArray, h: FloatArray) -> FloatArray | None:
    """The shortest x with G x >= h; None where there is none."""
    from scipy.optimize import nnls

    scale = float(np.abs(h).max())
    E = np.vstack([G.T, h[None, :] / scale])
    right = np.zeros(len(E))
    right[-1] = 1.0
    try:
        u, _ = nnls(E, right, maxiter=10 * E.shape[1])
    except RuntimeError:
        return None
    r = E @ u - right
    return None if abs(r[-1]) < 1e-12 else np.asarray(-r[:-1] / r[-1] * scale)


def _everywhere(model: RationalAdmittance) -> FloatArray:
    """Frequencies from far below to far above: at every pole, beside it, and in between."""
    low, high = model.band
    centres, widths = model.poles.imag / (2.0 * math.pi), -model.poles.real / (2.0 * math.pi)
    beside = np.concatenate([[0.0], np.geomspace(0.1, 100.0, 13)])
    near = (centres[:, None] + widths[:, None] * np.concatenate([-beside, beside])).ravel()
    span = high - low
    every = [
        near,
        np.linspace(low - span, high + span, 4001),
        np.geomspace(1e-3 * low, 1e3 * high, 601),
    ]
    found = np.unique(np.concatenate(every))
    return np.asarray(found[found >= 0.0])
