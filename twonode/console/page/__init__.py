"""The local page: the same job as the command line's, for somebody with a probe in the hand.

Nothing here measures or judges; the views call the same functions as the commands. NiceGUI is imported by the modules
of this package and by nothing else of the program.
"""
