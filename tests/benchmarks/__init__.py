"""Benchmarks: every figure the project promises, measured and printed beside its target.

``python -m tests.benchmarks`` runs all of them, ``python -m tests.benchmarks NAME ...`` some. Each module here
but ``table`` and ``__main__`` has ``def run(*, quick: bool = False) -> list[Row]``.
"""
