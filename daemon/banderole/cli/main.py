"""The command `banderole`: every command in its group's module; errors become one line and the contract's exit code."""

from __future__ import annotations

import os
import sys
import traceback

import typer

from banderole.cli import control, demo_command, ports, run_command, survey_command, watch

OUR_FAULT = 70

app = typer.Typer(
    name="banderole",
    help="Stream a plain tower to a printer, settle it at each band, and record what each band really got.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
for group in (demo_command, survey_command, run_command, control, watch, ports):
    group.register(app)


def main() -> None:
    """Run the command line; exits with the contract's codes."""
    try:
        app()
    except SystemExit:
        raise
    except BaseException as why:
        sys.exit(exit_code_of(why))


def exit_code_of(why: BaseException) -> int:
    """Says an error in one line on stderr, and what the contract makes of it."""
    name = type(why).__name__
    codes = {"InputError": 2, "NoName": 2, "AccessRefused": 2, "RefusedHere": 3, "PlaceError": 3, "NobodyThere": 6}
    if name in codes:
        print(why, file=sys.stderr)
        return codes[name]
    if isinstance(why, KeyboardInterrupt):
        return 4
    print(f"our own fault: {name}: {why}", file=sys.stderr)
    if os.environ.get("BANDEROLE_DEBUG"):
        traceback.print_exception(why)
    return OUR_FAULT


if __name__ == "__main__":
    main()
