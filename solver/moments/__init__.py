"""Method of moments on straight elements: arrays in, arrays out, no scene objects."""
