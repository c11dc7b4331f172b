"""Instruments: the link, the command profiles, generator, scope, voltmeter and the bench that holds them.

Knows volts, hertz and seconds, and nothing of capacitors. Import from the modules; nothing slow is loaded
here.
"""
