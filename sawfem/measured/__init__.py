"""Measured data: what was in the way taken off, held against a model, models fitted to them.

embedding    pads and lines around a device, put on and taken off
comparison   a measurement beside the computed response
slopes       numbers that carry their derivatives; leastsquares: estimates and their intervals
oneport      a resonator by its constants; motional: an equivalent circuit
fitting      data, and the constants fitted to them; circuitfit: the circuit
"""
