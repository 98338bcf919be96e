"""One period of a grating: finite elements where geometry is, exact waves below.

mesh             the graded, mapped mesh of a period
meshsize         unknowns and memory, before anything is assembled
forms            the weak form and its five scalar integrals
discretisation   unknowns, Bloch condition, boundary traces: the cell as affine matrices
losses           what its materials lose, as imaginary parts of the matrices
system           A(w, gamma) with the exact floor and air; full solutions
reduced          a small model over a band of frequencies at one phase
lossyreduced     the same of a cell whose materials lose
side             harmonics along a side of the cell for any phase
pointmatrix      A(w, gamma) at many points on one sparsity pattern
snapshots        full solutions gathered to a basis, and the cell projected on it
projected        the projected cell: answers and their certificates without the mesh
region           frequencies and phases over which a model holds
greedy           which solutions to take, until the bound is small enough
identity         a cell as text, and its hash
certified        a small model over frequency and phase, grown to a bound on its error
modelfile        a certified model as an HDF5 file
states           electrodes driven, grounded, floating, tied
modes            all roots of A(f) x = 0 in an ellipse (contour integral)
gratingmodes     complex frequencies at a phase, complex phases at a frequency
dispersion       modes followed over the phase
dispersionmap    map of the harmonic admittance with them, its errors and doubts
rowstore         finished rows kept in a file, so that a map goes on after an interruption
connection       electrodes hot, grounded or floating, in the small model of a cell
stopband, band   edges of the stop band, grouped by wave
beside           modes at phases beside the band, from its edges; slope of a mode over the phase
oblique          the transverse wavenumber in the matrices of a cell
obliquewaves     waves at an angle to the grating, followed: anisotropy and slowness
runningwaves     those outside the stop band, at a phase and at a frequency
outline, spacing what is where in a cell, and the nodes along an axis
drawing          a cell as a picture needs it
fields           shape of a mode on a fine triangulation, for pictures and files
below            its field below the meshed slab

A(w, gamma) x = b is written once, in :mod:`sawfem.unitcell.system`.
"""
