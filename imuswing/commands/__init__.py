"""One module a command: `SUMMARY`, `EXAMPLE`, `add_arguments(parser)`, `run(args) -> exit status`.

Modules import nothing heavy at their top, so that `imuswing --help` answers at once.
"""

COMMANDS = ("demo", "new", "mark", "check", "analyze", "compare", "report", "batch", "simulate", "forget")
"""In the order in which `--help` lists them."""
