"""Names and versions of result.h5, shared by its writer and its reader.

    /                      format, format_version, sawfem_version, created, title, case_name
    /case/source           the case, TOML      /case/resolved   JSON, SI, defaults filled
    /materials/<set>       the set, TOML       attributes name, sha256, source, provenance
    /versions              attributes, one a library
    /conventions           signs, axes, scales and equations in words
    /waves                 the first grating's waves
    /grating/<name>/waves/<n>/<quantity>
    /grating/<name>/constants/<quantity> and <quantity>_uncertainty, and reasons (JSON)
    /grating/<name>/temperature   JSON: relative_per_K, error_per_K -> constant -> 1/K, if asked for
    /grating/<name>/losses   JSON: edge -> mechanism -> dB per wavelength, where there are any
    /grating/<name>/frequency, phase, harmonic_admittance, two_mode_admittance
    /grating/<name>/dispersion   map and mode curves (sawfem/export/dispersion_hdf5.py)
    /grating/<name>/oblique      waves at an angle (sawfem/export/oblique_hdf5.py)
    /grating/<name>/cell         outlines, materials and mesh (sawfem/export/cell_hdf5.py)
    /grating/<name>/mode/<edge>/position_x, position_z, triangles, region, displacement,
                                potential, outlines; <edge> is "driven" for the field of the
                                electrodes at 1 V, with amplitude in m as an attribute
    /device/frequency, port, port_driven, s, y, reference_impedance, group_delay
    /device/figures/<quantity> and <quantity>_uncertainty, and reasons (JSON)
    /device/spurious       JSON: unwanted responses by name
    /device/quality        JSON: quality factors of a one-port by mechanism
    /device/resonators     JSON: figures of each resonator of a larger device
    /device/signal         JSON: the signal of the case, its errors, the counts of fingers compared
    /device/transverse     modes across the aperture (sawfem/export/transverse_hdf5.py)
    /device/measurement/<name>/frequency, s_measured, s_computed, reference_impedance, figures
    /device/second_model/<transducer>   two models compared (sawfem/export/second_model_hdf5.py)
    /device/diffraction/<n>   beams between transducers (sawfem/export/beams_hdf5.py)
    /checks/<name>         value               attributes limit, ok
    /warnings, /cautions   sentences

Every number is in SI and carries unit, symbol, long_name and definition from the table of
quantities; an unknown number is NaN with the attribute ``reason``. Axes are dimension scales.

A newer minor version only adds; a newer major one may mean something else and is refused.
"""

from __future__ import annotations

FORMAT = "sawfem-result"
MAJOR, MINOR = 1, 0
VERSION = f"{MAJOR}.{MINOR}"

#: Name of the file inside a folder of results.
FILE_NAME = "result.h5"
