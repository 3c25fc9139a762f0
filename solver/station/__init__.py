"""From the feed point to the radio, the sky, and the people underneath."""
