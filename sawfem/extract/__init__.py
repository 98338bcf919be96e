"""From answers of the unit cell to grating constants."""
