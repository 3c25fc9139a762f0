"""What sits around and along the wires: timber and sheets as polarisation, without unknowns."""
