"""The command line: the only room that prints and asks. Holds no arithmetic."""
