"""How sure an answer is: all that is not known, drawn many times."""
