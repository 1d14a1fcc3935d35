"""The command `lullwatt page`: serve the page, pair a device, list the devices."""

from __future__ import annotations

from pathlib import Path
from secrets import choice
from typing import TYPE_CHECKING

import click

from adapters.clocks.clock import SystemClock
from adapters.host.owner import act_as_owner_of
from config.files.errors import UsageError
from config.household.loading import load_household
from daemon.page.devices import GOOD_FOR, TooManyDevices, code_words, new_code
from daemon.page_service.devices_file import DevicesFile
from daemon.presentation.figures import local_time
from daemon.presentation.logs import set_up_logs
from daemon.presentation.options import FILE, JSON_OPTION
from daemon.presentation.output import json_text, say, write_output

if TYPE_CHECKING:
    from config.doors.page import Page
    from config.household.household_file import HouseholdFile
    from daemon.page.devices import Role

_NO_PAGE = (
    "expected a key page at the top of the household file, such as\n"
    "page: {listen: 127.0.0.1:8480, devices_file: devices.json}"
)


@click.command()
@FILE
@click.option("--pair", is_flag=True, help="Print a one-time code that lets one device in.")
@click.option(
    "--only-look", is_flag=True, help="With --pair: the device may look, and ask for nothing."
)
@click.option("--devices", is_flag=True, help="List the paired devices.")
@click.option("--remove", metavar="ID", help="Remove a paired device; --devices shows its id.")
@JSON_OPTION
def page(
    file: Path, *, pair: bool, only_look: bool, devices: bool, remove: str | None, as_json: bool
) -> None:
    """Serve the page of the household to paired phones, until SIGTERM or Ctrl-C.

    The page shows tonight's plan and asks a running daemon for what a person wants: charge now, not
    now, a trip, or away. It talks to the daemon over the bus only. The key page of the household
    file says where it is served.
    """  # noqa: DOC501 - this text is the command's help
    _check_options(pair=pair, only_look=only_look, devices=devices, remove=remove, as_json=as_json)
    household = load_household(file)
    if household.page is None:
        raise UsageError(_NO_PAGE)
    if pair:
        _print_code(household, household.page, "look" if only_look else "ask")
    elif devices:
        _print_devices(household, household.page, as_json=as_json)
    elif remove is not None:
        _remove(household.page, remove)
    else:
        _serve(file, household.page)


def _check_options(
    *, pair: bool, only_look: bool, devices: bool, remove: str | None, as_json: bool
) -> None:
    given = [
        name
        for name, is_given in (("--pair", pair), ("--devices", devices), ("--remove", remove))
        if is_given
    ]
    if len(given) > 1:
        raise UsageError(f"expected at most one of --pair, --devices, --remove, got {given}")
    if only_look and not pair:
        raise UsageError("--only-look: expected --pair beside it")
    if as_json and not devices:
        raise UsageError("--json: expected --devices beside it")


def _serve(file: Path, page: Page) -> None:

    set_up_logs()
    try:
        from daemon.page_service.serving import serve_page  # noqa: PLC0415
    except ModuleNotFoundError as error:
        raise _not_installed(error) from error
    serve_page(file, page)


def _not_installed(error: ModuleNotFoundError) -> UsageError:
    return UsageError(
        f"the page needs the package {error.name}, which is not installed;"
        " install Lullwatt with its extra page: pip install '.[page]'"
    )


def _print_code(household: HouseholdFile, page: Page, role: Role) -> None:

    try:
        from daemon.presentation.qr_picture import qr_picture  # noqa: PLC0415
    except ModuleNotFoundError as error:
        raise _not_installed(error) from error
    now, code = SystemClock().now(), new_code(choice)
    devices = _devices_of(page)
    if devices.read().are_full:
        raise TooManyDevices
    devices.change(lambda devices: devices.with_offer(code, role, now))
    until = local_time(now + GOOD_FOR, household.zone, "%H:%M")
    allowed = "look, and ask for something" if role == "ask" else "look"
    say(f"Open {page.url}/pair on the phone, or take a picture of this:")
    write_output(qr_picture(f"{page.url}/pair?code={code_words(code)}"))
    say(f"The code is {code_words(code)}. It is good until {until}, for one device.")
    say(f"That device may {allowed}.")


def _print_devices(household: HouseholdFile, page: Page, *, as_json: bool) -> None:

    paired = _devices_of(page).read().paired
    if as_json:
        rows = [
            {
                "id": each.id,
                "name": each.name,
                "role": each.role,
                "paired_at": each.paired_at.isoformat(),
                "seen_at": each.seen_at.isoformat(),
            }
            for each in paired
        ]
        write_output(json_text({"devices": rows}))
        return
    if not paired:
        say("No device is paired. `lullwatt page FILE --pair` prints a code that lets one in.")
    for each in paired:
        seen = local_time(each.seen_at, household.zone, "%a %d %b %Y %H:%M")
        may = "may ask" if each.role == "ask" else "may look"
        say(f"{each.id}  {each.name}, {may}, last there {seen}")


def _remove(page: Page, device_id: str) -> None:
    devices = _devices_of(page)
    known = [each.id for each in devices.read().paired]
    if device_id not in known:
        raise UsageError(
            f"--remove: expected one of {', '.join(known) or 'none'}, got {device_id!r}"
        )
    devices.change(lambda current: current.without(device_id))
    say(f"{device_id} is removed.")


def _devices_of(page: Page) -> DevicesFile:
    """Return the file of paired devices, which root uses as its owner."""
    act_as_owner_of(page.devices_file.parent)
    return DevicesFile(page.devices_file)
