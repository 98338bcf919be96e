"""From answers of the unit cell to grating constants.

coupled            the coupling-of-modes equations, their normalisation, ComConstants
constants          GratingConstants: what a grating is to a device, with uncertainty and reasons
grating            from a unit cell to its constants, with uncertainty from two meshes
edges              constants from the edges of a stop band
uncertainty        numerical error bars from two meshes
derivatives        how constants move with dimensions, materials and temperature; process spread
table              constants over metal thickness and width of the electrodes, as coefficients
table_cells        the cells of a table, of one electrode a period or several
tabulate           how such a table is solved, interpolated and checked
heated_cell        a cell at another temperature
oblique_grating    waves at an angle to a grating, in its stop band and below it
double_electrode   constants of transducers with two electrodes in a row on each bus-bar
"""

from sawfem.extract.constants import (
    ComConstants,
    GratingConstants,
    com_uncertainty,
    effective_coupling,
)
from sawfem.extract.double_electrode import (
    double_electrode_constants,
    solve_double_electrodes,
)
from sawfem.extract.grating import GratingSolution, grating_constants, solve_grating
from sawfem.extract.table import GratingTable
from sawfem.extract.tabulate import cell_table, grating_table

__all__ = [
    "ComConstants",
    "GratingConstants",
    "GratingSolution",
    "GratingTable",
    "cell_table",
    "com_uncertainty",
    "double_electrode_constants",
    "effective_coupling",
    "grating_constants",
    "grating_table",
    "solve_double_electrodes",
    "solve_grating",
]
