"""One module a command: `SUMMARY`, `EXAMPLE`, `add_arguments(parser)`, `run(args) -> exit status`.

Modules import nothing heavy at their top, so that `imuswing --help` answers at once.
"""

from keyword import iskeyword

COMMANDS = (
    "demo",
    "new",
    "import",
    "mark",
    "check",
    "analyze",
    "compare",
    "report",
    "batch",
    "live",
    "export",
    "simulate",
    "forget",
)
"""In the order in which `--help` lists them."""


def module_of(command: str) -> str:
    """Name of a command's module; a word of the language cannot be imported, so `import` stands in import_.py."""
    return f"imuswing.commands.{command}_" if iskeyword(command) else f"imuswing.commands.{command}"
