"""Exact plane waves of layered piezoelectric stacks; no mesh.

SurfaceAdmittance        Y(omega, k) of a half-space with layers: what everything else stands on
surface_waves            waves that do not leak: velocities, K^2, power flow (by counting)
leaky_estimates          leaky ones above the limiting velocity
estimate_velocities      both, strongest coupling first: where to look for a stop band
plane_waves              the same for a design's Stack
plate_waves              waves of a free-standing membrane
effective_permittivity   eps_eff(omega, k); static_permittivity its limit eps_inf
limiting_velocity        below it nothing is radiated

Further rooms, by what they answer:

allwaves, leaky_search   every leaky wave of a stated region, with its coverage
leaky_rows               leaky ones of a half-space followed along rows of a map
leaky_strip, sheet, root_count   the region, its sheet, and the counting of its roots
pairing                 which wave of the metallised surface is which of the free one
plates                   plate waves of a membrane
buried                   waves with a conductor at an interface: where buried electrodes work
bulk, limiting           bulk waves of the cut, their onsets, all branch points
dispersion               phase and group velocity of a stack against frequency
follow, stack_wave       the same wave on a slightly changed stack
profile, wave_fields     displacement, potential and energy against depth
beam, power_flow         steering and spreading of the beam
slowness_curve           slowness against direction, interpolated: s1 of s2, where the power goes
temperature, heated_stack   coefficients of velocity, delay and frequency
loss, sensitivity        attenuation by material loss; derivatives of the velocity
lossy_admittance         Y(omega, k) with complex constants; where its waves set in
batch*, map*             many orientations at once, maps over cuts
cutsearch, cut_family    cuts that meet a wish

Signs, axes and units: :mod:`sawfem.conventions`. The choice of the branch is made in one place,
:func:`sawfem.planewave.partial_waves.waves_below`.
"""

from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.limiting import limiting_velocity
from sawfem.planewave.permittivity import effective_permittivity, static_permittivity
from sawfem.planewave.plates import plate_waves
from sawfem.planewave.surface_waves import (
    Wave,
    estimate_velocities,
    leaky_estimates,
    plane_waves,
    surface_waves,
)

__all__ = [
    "SurfaceAdmittance",
    "Wave",
    "effective_permittivity",
    "estimate_velocities",
    "leaky_estimates",
    "limiting_velocity",
    "plane_waves",
    "plate_waves",
    "static_permittivity",
    "surface_waves",
]
