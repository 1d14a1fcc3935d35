"""What may be announced in the home's network, and under which names."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from pydantic import ValidationError

from config.doors.announce import Announce
from config.household.loading import load_household
from tests.config.cottage import COTTAGE
from tests.config.edited_files import faults_in

if TYPE_CHECKING:
    from pathlib import Path

HOST = "kowhai-cottage.local"
PAGE = f'page: {{listen: "0.0.0.0:8480", in_the_clear: true, names: [{HOST}], devices_file: d}}\n'
OCPP = 'ocpp: {listen: "192.168.1.10:8887", in_the_clear: true}\n'


def written(tmp_path: Path, *more: str) -> Path:
    path = tmp_path / "house.yaml"
    path.write_text(COTTAGE + "\n" + "".join(more), "utf-8")
    return path


def test_it_is_accepted(tmp_path: Path) -> None:
    """With doors that others can reach, and the page answering to the host's name."""
    announced = f"announce: {{services: [page, ocpp], host: {HOST}}}\n"
    file = load_household(written(tmp_path, PAGE, OCPP, announced))
    assert file.announce is not None
    assert file.announce.services == ("page", "ocpp")


@pytest.mark.parametrize(
    ("keys", "wanted"),
    [
        ({"services": []}, "at least 1 item"),
        ({"services": ["bus"]}, "expected page, broker or ocpp"),
        ({"services": ["page", "page"]}, "expected each entry once, got page again"),
        ({"host": "Kowhai.local"}, "a name in lower case that ends in .local"),
        ({"host": "kowhai.lan"}, "a name in lower case that ends in .local"),
        ({"host": "a.b.local"}, "a name in lower case that ends in .local"),
        ({"name": "Mt. Eden"}, "without dots"),
        ({"name": "ō" * 32}, "1 to 63 bytes"),
        ({"addresses": ["1.1.1.1"]}, "an address of this machine in the home's network"),
        ({"addresses": ["127.0.0.1"]}, "an address of this machine in the home's network"),
        ({"addresses": ["169.254.1.1"]}, "an address of this machine in the home's network"),
        ({"addresses": ["fe80::1"]}, "an address of this machine in the home's network"),
    ],
)
def test_what_is_refused(keys: dict[str, Any], wanted: str) -> None:
    """Names that multicast DNS can't carry, and addresses that no home has (RFC 6762, 6763)."""
    with pytest.raises(ValidationError) as caught:
        Announce.model_validate({"services": ["page"], "host": HOST} | keys)
    assert wanted in "\n".join(each["msg"] for each in caught.value.errors(include_url=False))


@pytest.mark.parametrize(
    ("more", "announce", "fault"),
    [
        ((), "[page]", 'services[0]: expected a key "page" at the top of the file, which it needs'),
        ((PAGE,), "[page, broker]", 'expected an address under "bus", broker, that others can'),
        (
            (OCPP.replace("192.168.1.10", "127.0.0.1"),),
            "[ocpp]",
            'expected an address under "ocpp", listen, that others can reach',
        ),
        (
            (PAGE.replace(HOST, "home.lan"),),
            "[page]",
            f"host: expected it among names under page as well, got {HOST}",
        ),
    ],
)
def test_what_does_not_fit_together(
    more: tuple[str, ...], announce: str, fault: str, tmp_path: Path
) -> None:
    """A door that is missing, that only this machine reaches, or that answers to other names."""
    text = f"announce: {{services: {announce}, host: {HOST}}}\n"
    [found] = faults_in(written(tmp_path, *more, text), load_household)
    assert fault in found


def test_an_invalid_door_is_reported_once(tmp_path: Path) -> None:
    """A fault of the page is not also one of the announcement."""
    broken = PAGE.replace("in_the_clear: true, ", "")
    [found] = faults_in(
        written(tmp_path, broken, f"announce: {{services: [page], host: {HOST}}}\n"), load_household
    )
    assert "certificate_file" in found


@pytest.mark.parametrize(
    ("household", "shown"),
    [("St. Mary's", "St  Mary's"), ("ō" * 40, "ō" * 31), ("Kowhai Cottage", "Kowhai Cottage")],
)
def test_the_name_in_lists(household: str, shown: str) -> None:
    """That of the household fits into a label of 63 bytes (RFC 6763, section 4.1.1)."""
    assert Announce(services=("page",), host=HOST).name_for(household) == shown
