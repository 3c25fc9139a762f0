"""Studies: many solves of scenes that differ little."""
