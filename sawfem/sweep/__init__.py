"""Sweeps: many variants of a case, kept as they are computed, taken up where they were left.

axes, samples, plan    from [sweep] to points: what moves, in which order the work is done
keeping                what is kept of a point, and how far it must be computed for that
identity               what an answer depends on, as a digest
point                  one point, in a worker
store, places          SQLite and the folder around it: one writer, any number of readers

Imported on use; ``sawfem.run_sweep`` is the way in.
"""
