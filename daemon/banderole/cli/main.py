"""The command `banderole`: each group of commands in a module of its own; errors become one line and an exit code.

A new group is a module with `register(app)`, named in `GROUPS`. What is heavy (pydantic, rich, aiomqtt, pyserial,
asyncio) is imported inside the commands that need it: `estop` must not wait for it.
"""

from __future__ import annotations

import sys

import typer

from banderole.cli import (
    control,
    demo_command,
    ports,
    record_command,
    rehearse_command,
    run_command,
    safe_command,
    serve_command,
    setup_command,
    start_command,
    survey_command,
    watch,
)
from banderole.cli.errors import exit_code_of
from banderole.cli.say import let_go_of_stdout

INTERRUPTED_IN_TYPER = 130  # what typer makes of a KeyboardInterrupt, before anybody else sees it
GROUPS = (
    demo_command,
    survey_command,
    rehearse_command,
    run_command,
    serve_command,
    start_command,
    control,
    safe_command,
    watch,
    ports,
    record_command,
    setup_command,
)

app = typer.Typer(
    name="banderole",
    help="Stream a plain tower to a printer, settle it at each band, and record what each band really got.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
for group in GROUPS:
    group.register(app)


def main() -> None:
    """Run the command line; exits with one of the contract's codes."""
    code = command_line(sys.argv[1:])
    let_go_of_stdout()
    sys.exit(code)


def command_line(arguments: list[str]) -> int:
    """The exit code of one command. Raises SystemExit only for the shell's completion."""
    try:
        # Not standalone: that would print usage over several lines, and leave with codes of its own.
        code = app(arguments, prog_name="banderole", standalone_mode=False)
    except SystemExit as leave:
        if isinstance(leave.__context__, BrokenPipeError):
            return 0  # `… | head`: the reader has enough
        raise
    except BaseException as why:
        return exit_code_of(why)
    if code == INTERRUPTED_IN_TYPER:
        return exit_code_of(KeyboardInterrupt())
    return code if isinstance(code, int) else 0


if __name__ == "__main__":
    main()
