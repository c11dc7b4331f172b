"""Numbers in, numbers out: quantities, stages, sine fits, estimates and findings, without any instrument."""
