"""The command line: one thin module a command, each with a click command named ``command``."""
