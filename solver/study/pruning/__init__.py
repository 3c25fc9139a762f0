"""What to cut next, given what the analyser read."""
