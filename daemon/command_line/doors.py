"""Find the module of each command: a command is loaded only when it is called.

So a module that is named here, and no other, may import at its top all that its command needs.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import NamedTuple

import click
from typing_extensions import override

from daemon.presentation.options import load_structlog


class Door(NamedTuple):
    """Where a command is, what it does in one line, and whether it, or the bus for it, logs."""

    module: str
    summary: str
    logs: bool = False


DOORS: Mapping[str, Door] = {
    "announce": Door(
        "daemon.announcing.command",
        "Announce the doors of the household in the home's network, until SIGTERM or Ctrl-C.",
        logs=True,
    ),
    "appraise": Door(
        "daemon.command_line.appraise",
        "Simulate a year of nights with each choice in FILE, and find the cheapest.",
    ),
    "ask": Door(
        "daemon.remote.declared",
        "Send a request to a running daemon, and print its answer.",
    ),
    "backup": Door(
        "daemon.command_line.backup",
        "Copy a household's ledger to DEST, a file or a folder.",
    ),
    "departures": Door(
        "daemon.command_line.departures",
        "List the coming departures, and the hours in which the daemon means to charge.",
    ),
    "desk": Door(
        "daemon.command_line.desk",
        "Keep the extracts that households share with their adviser, in a folder.",
    ),
    "fetch-calendars": Door(
        "daemon.command_line.fetch_calendars",
        "Fetch the calendars that the household file names by an address, into their files.",
    ),
    "fetch-prices": Door(
        "daemon.fetch_prices.command",
        "Fetch tomorrow's prices, and today's if they are missing, into the price file of the"
        " tariff.",
    ),
    "letter": Door(
        "daemon.command_line.letter",
        "Write a letter of one page about a month to a client, as HTML to print.",
    ),
    "month": Door(
        "daemon.command_line.reports",
        "Print a month such as 2026-10: totals, bands, savings, and every night.",
    ),
    "nights": Door(
        "daemon.command_line.reports",
        "Print the log of nights, the newest last; the daemon may keep running.",
    ),
    "page": Door(
        "daemon.page_service.command",
        "Serve the page of the household to paired phones, until SIGTERM or Ctrl-C.",
        logs=True,
    ),
    "schema": Door(
        "daemon.fields.schema_command",
        "Print a schema, the contract of the bus, or the broker's access list.",
    ),
    "share": Door(
        "daemon.command_line.share",
        "Write an extract of a month for an adviser: signed by this home, encrypted to the"
        " adviser.",
    ),
    "simulate": Door(
        "daemon.simulation.command",
        "Play a charge point with a vehicle on the file's broker, so that a file can be tried.",
        logs=True,
    ),
    "start-file": Door(
        "daemon.start_file.start_file",
        "Ask some questions, and write a first household file, with comments.",
    ),
    "status": Door(
        "daemon.remote.declared",
        "Print the state of a running daemon, its charge points and its plans.",
    ),
    "why": Door("daemon.why.command", "Explain why it did, or did not, charge in a night."),
    "wiring": Door(
        "daemon.trial.command",
        "Show a charge point's messages and what they mean, or try it out.",
        logs=True,
    ),
}
"""Each command's name is that of a function in its module, with `-` for `_`."""


class CommandsBehindDoors(click.Group):
    """A group of commands of which some are loaded when they are called."""

    @override
    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted({*super().list_commands(ctx), *DOORS})

    @override
    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in DOORS and cmd_name not in self.commands:
            door = DOORS[cmd_name]
            if door.logs:
                load_structlog()
            module = import_module(door.module)
            self.add_command(getattr(module, cmd_name.replace("-", "_")))
        return super().get_command(ctx, cmd_name)

    @override
    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        known = self.commands
        self.commands = {
            name: known.get(name) or click.Command(name, help=DOORS[name].summary)
            for name in self.list_commands(ctx)
        }
        super().format_commands(ctx, formatter)
        self.commands = known
