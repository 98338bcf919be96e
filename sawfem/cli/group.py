"""The command and its subcommands. Names and help lines are data; a room is imported on use."""

from __future__ import annotations

from importlib import import_module

import click

from sawfem import __version__

#: Subcommand -> (module, what it does).
COMMANDS = {
    "run": ("sawfem.cli.run", "Compute what a case file asks for and write its results."),
    "check": ("sawfem.cli.check", "Show how a case is understood and what it would cost."),
    "cut": ("sawfem.cli.cut", "Plane waves of a crystal cut, with layers on it if need be."),
    "map": ("sawfem.cli.map", "Map plane waves over cut angles, thickness or frequency."),
    "design": ("sawfem.cli.design", "Design a filter from a specification; write a case file."),
    "fit": ("sawfem.cli.fit", "Fit constants or a circuit to measured data; write a case file."),
    "sweep": ("sawfem.cli.sweep", "Compute a case over lists and ranges of its keys; resume."),
    "show": ("sawfem.cli.show", "Show a sweep, also while it runs: slices, best points."),
    "yield": ("sawfem.cli.yields", "The share of devices that keeps a specification."),
    "search": ("sawfem.cli.search", "Search the better cuts of a crystal for a stated wish."),
    "keys": ("sawfem.cli.keys", "List what may stand in a case file: keys, units, defaults."),
    "materials": ("sawfem.cli.materials", "List the shipped material sets, or show one."),
}


class _Rooms(click.Group):
    """A group that imports a subcommand only when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(COMMANDS[cmd_name][0]).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


@click.group(
    cls=_Rooms,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Exit codes: 0 done, 1 a fault of the program, 2 bad input, "
    "3 a required specification is missed, 130 interrupted.",
)
@click.version_option(__version__, prog_name="sawfem", message="%(prog)s %(version)s")
def sawfem() -> None:
    """From a crystal cut and a metal grating to constants, a device and its files.

    A first run:  sawfem run buoy-resonator

    A case of your own:  sawfem materials and sawfem keys say what may stand in it, sawfem check
    how it is understood.
    """
