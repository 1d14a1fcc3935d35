"""The command `lullwatt schema`, with a command of its own for each schema."""

from __future__ import annotations

from pathlib import Path

import click

from adapters.contract.asyncapi import contract
from adapters.wired.access_list import access_list
from config.household.loading import load_household
from config.schema import choices_schema, extract_schema, household_schema, letter_schema
from daemon.fields.documents import document_schema
from daemon.presentation.options import FILE
from daemon.presentation.output import json_text, write_output


@click.group()
def schema() -> None:
    """Print a schema, the contract of the bus, or the broker's access list."""


@schema.command("household")
def schema_household() -> None:
    """Print the JSON Schema of the household file."""
    write_output(json_text(household_schema()))


@schema.command("choices")
def schema_choices() -> None:
    """Print the JSON Schema of the choices file of `appraise`."""
    write_output(json_text(choices_schema()))


@schema.command("extract")
def schema_extract() -> None:
    """Print the JSON Schema of an extract, as it is signed and before it is encrypted."""
    write_output(json_text(extract_schema()))


@schema.command("letter")
def schema_letter() -> None:
    """Print the JSON Schema of the file of a letter's words."""
    write_output(json_text(letter_schema()))


@schema.command("night")
@click.option("--half-hours", is_flag=True, help="Of what `nights --half-hours` prints.")
def schema_night(*, half_hours: bool) -> None:
    """Print the JSON Schema of the log of nights, as `nights --format json` prints it."""
    _print_document_schema("half-hours" if half_hours else "night")


@schema.command("month")
@click.option("--homes", is_flag=True, help="Of what `month` prints of many homes.")
def schema_month(*, homes: bool) -> None:
    """Print the JSON Schema of a month, as `month --format json` prints it."""
    _print_document_schema("months" if homes else "month")


@schema.command("appraisal")
@click.option("--homes", is_flag=True, help="Of what `appraise --homes` prints.")
def schema_appraisal(*, homes: bool) -> None:
    """Print the JSON Schema of an appraisal, as `appraise --json` prints it."""
    _print_document_schema("appraisals" if homes else "appraisal")


def _print_document_schema(name: str) -> None:
    write_output(json_text(document_schema(name)))


@schema.command("bus")
@click.argument("file", type=click.Path(path_type=Path), required=False)
def schema_bus(file: Path | None) -> None:
    """Print the contract of the bus, an AsyncAPI 3.0 document.

    With FILE it shows the topics of that household.
    """
    write_output(json_text(contract(load_household(file) if file else None)))


@schema.command("acl")
@FILE
def schema_acl(file: Path) -> None:
    """Print an access list for Mosquitto: who may publish and read which topics."""
    write_output(access_list(load_household(file)))
