"""A CAN bus, listened to: frames from the kernel's socket, values by the user's own DBC."""
