"""Impedance and watts as smooth functions of lengths and of what is not known."""
