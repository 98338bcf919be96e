"""Signs, axes and scales, fixed once; every other docstring refers to this one.

Time and waves
    All fields carry exp(+j w t). A wave that runs to +x1 is exp(-j k x1) with k > 0. A loss
    gives k a negative imaginary part and a free frequency a positive one.

Axes
    x1 is the direction of propagation, across the electrodes; x2 lies along the electrodes; x3
    is the outward normal of the surface. The substrate fills x3 < 0 and layers lie above it.

Orientation
    Euler angles (lambda, mu, theta) in degrees, z-x-z, passive:
    R = Rz(theta) Rx(mu) Rz(lambda). Row 1 of R is the propagation direction and row 3 the
    outward normal, in crystal axes, and c'_ijkl = R_ia R_jb R_kc R_ld c_abcd.

Constitutive equations
    T = c^E S - e^T E,  D = e S + eps^S E,  E = -grad phi  (IEEE Std 176-1987), Voigt order
    11, 22, 33, 23, 13, 12 with engineering shear strain.

One generalised tensor
    U = (u1, u2, u3, phi);  T_iJ = G_iJKl dU_K/dx_l  with T_i4 = D_i and
    G_ijkl = c_ijkl,  G_ij4l = e_lij,  G_i4kl = e_ikl,  G_i44l = -eps_il.
    Equation of motion: dT_iJ/dx_i + rho w^2 I'_JK U_K = 0, I' = diag(1, 1, 1, 0).

Units
    SI at every public face. Inside, stiffness is divided by STRESS and the potential is
    measured in units of FIELD times a length, so that the blocks of every matrix are O(1).

Harmonic admittance
    Electrode potentials V exp(-j gamma m) on electrode m; Y(f, gamma) is the current into one
    electrode per unit of its potential and per metre of aperture, in S/m. gamma is the phase
    from one period to the next, in radians.
"""

from __future__ import annotations

import math

#: Unit of stress inside the solvers, Pa.
STRESS = 1.0e11

#: Unit of the electric field inside the solvers, V/m.
FIELD = 1.0e10

#: Unit of charge density inside the solvers, C/m^2: stress times strain over field.
CHARGE = STRESS / FIELD

#: Electric constant, F/m (CODATA 2018).
EPSILON_0 = 8.8541878128e-12

#: Decibels in a neper: 20 log10(e).
DECIBEL = 20.0 / math.log(10.0)

#: Temperature at which constants and dimensions hold when nothing else is said, degrees Celsius.
REFERENCE_TEMPERATURE = 25.0
