"""What readings say of an attic that is not known exactly."""
