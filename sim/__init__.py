"""A simulated oven with its controller, to plug the logger into.

It shares no code with the logger: the two meet only on the wire, so a mistake in one cannot hide in the other.
"""
