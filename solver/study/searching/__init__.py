"""Lengths, routes and places that meet a goal on all bands."""
