"""What is not known exactly of an attic, how wide, and draws from it."""
