"""twonode: in-circuit capacitance from a generator, a two-channel scope and a meter."""

__version__ = "0.1.0"
