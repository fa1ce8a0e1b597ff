"""Every way to get a reading. Nothing here can write to a controller."""
