"""The site without a browser: who gets in, what each device may do, and break-ins."""

from __future__ import annotations

import asyncio
import re
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, cast

import pytest

from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import Answer, DaemonState, Request
from adapters.contract.refusals import IN_TIME_AWAY
from adapters.contract.table import BUS_TOPICS
from adapters.ledger.ledger import open_ledger
from adapters.web.exchange import EventStream, WebRequest, WebResponse
from config.doors.page import Page
from config.files.errors import UnwellError
from config.household.household_file import LedgerFile
from daemon.control.replanning import plan_now
from daemon.messaging.status import status_of
from daemon.page.devices import MOST_DEVICES, new_code
from daemon.page_record.record import Record
from daemon.page_service.access import Access, form_key
from daemon.page_service.devices_file import DevicesFile
from daemon.page_service.languages import Languages
from daemon.page_service.pairing import MOST_INVITED, PairingPages
from daemon.page_service.past import PastPages
from daemon.page_service.rendering import STATIC, WORKER, Templates, static_file
from daemon.page_service.site import Parts, Site
from daemon.page_service.wishes import WishPages
from daemon.remote import asking
from daemon.remote.health import PointReport, Report
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE, POINT, World, kowhai
from tests.support.pages import HOSTILE, Tree
from tests.support.year_of_nights import fill_a_year

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from daemon.page.devices import Role
    from daemon.page_service.live_link import LiveLink

HOST = "127.0.0.1:8480"
OWN = {"host": HOST, "origin": f"http://{HOST}", "accept-language": "en-NZ"}


@dataclass
class Link:
    """The last messages of a daemon."""

    report: Report
    version: int = 0

    async def wait_changed(self, _most_seconds: float, _seen: int) -> None:
        await asyncio.sleep(0)


@dataclass
class Daemon:
    """Answers requests, and keeps them."""

    asked: list[Request] = field(default_factory=list)
    error: UnwellError | None = None
    understood: bool = True
    refusal: str | None = None

    def ask(
        self, _file: object, _point: str, request: Request, _clock: object, _seconds: float
    ) -> Answer:
        if self.error:
            raise self.error
        self.asked.append(request)
        return Answer(
            id=request.id or "", at=EVENING, understood=self.understood, message="not so",
            refusal=self.refusal, vehicle="hatchback",
            energy_kwh=26.0, cost=10.19, currency="NZD", ends_at=EVENING + 212 * MINUTE,
        )  # fmt: skip


class Served:
    """A site, a daemon that answers it, and browsers."""

    def __init__(self, directory: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.world = World(kowhai(), EVENING)
        self.world.read()
        self.world.plug_in(35.0)
        self.clock = VirtualClock(EVENING)
        self.daemon = Daemon()
        monkeypatch.setattr(asking, "ask", self.daemon.ask)
        self.devices = DevicesFile(directory / "devices.json")
        self.seconds = 0.0
        page = Page.model_validate({"listen": HOST, "devices_file": directory / "devices.json"})
        self.ledger = ledger = directory / "ledger.sqlite3"
        open_ledger(ledger).close()
        file = self.world.house.file
        self.house = replace(
            self.world.house, file=file.model_copy(update={"ledger": LedgerFile(path=ledger)})
        )
        self.link = Link(self.report())
        parts = Parts(
            house=lambda: self.house,
            link=cast("LiveLink", self.link),
            record=Record(),
            devices=self.devices,
            clock=self.clock,
            languages=Languages({"en": {}}),
            templates=Templates(),
            access=Access(page, page.port),
        )
        pairing = PairingPages(parts, lambda: self.seconds, self._sleep)
        self.site = Site(parts, pairing.pair)
        pairing.add_to(self.site)
        self._wishes = WishPages(self.site, parts)
        self._past = PastPages(self.site, parts, directory / "house.yaml")

    async def _sleep(self, seconds: float) -> None:
        self.seconds += seconds

    def report(self) -> Report:
        world = self.world
        plan = plan_now(world.state, world.now, world.house)
        status = status_of(world.state, world.now, world.house)
        point = PointReport(status, plan.to_json() if plan else None)
        return Report({POINT: point}, DaemonState(state="online", stale_after=LEAVES))

    def code(self, role: Role = "ask") -> str:
        code = new_code(lambda letters: letters[len(self.devices.read().paired) % len(letters)])
        self.devices.change(lambda devices: devices.with_offer(code, role, self.clock.now()))
        return code

    def send(self, request: WebRequest) -> WebResponse:
        response = asyncio.run(self._respond(request))
        assert isinstance(response, WebResponse)
        return response

    async def _respond(self, request: WebRequest) -> WebResponse | EventStream:
        return await self.site.respond(request)

    def pair(self, role: Role = "ask", name: str = "phone") -> Browser:
        response = self.send(
            WebRequest("POST", "/pair", form={"code": self.code(role), "name": name}, headers=OWN)
        )
        assert (response.status, response.headers["Location"]) == (303, "/")
        found = re.match(
            r"device=([^;]+); .*HttpOnly; SameSite=Strict", response.headers["Set-Cookie"]
        )
        assert found
        return Browser(self, found[1])


@dataclass
class Browser:
    """A paired device."""

    served: Served
    token: str

    def get(self, path: str, **query: str) -> WebResponse:
        return self.served.send(
            WebRequest("GET", path, query=query, cookies={"device": self.token}, headers=OWN)
        )

    def post(self, path: str, headers: Mapping[str, str] = OWN, **form: str) -> WebResponse:
        form = {"key": form_key(self.token), "point": POINT, **form}
        return self.served.send(
            WebRequest("POST", path, form=form, cookies={"device": self.token}, headers=headers)
        )

    def confirm(self, preview: WebResponse) -> WebResponse:
        fields = {
            str(each["name"]): str(each["value"])
            for each in Tree(preview.body).all("input")
            if each["name"] in {"wish", "once"}
        }
        return self.post("/ask", OWN, **fields)


@pytest.fixture
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Served:
    return Served(tmp_path, monkeypatch)


# --- wishes -----------------------------------------------------------------------------------


def test_charge_now_counts_once_it_is_confirmed(served: Served) -> None:
    """The preview shows amount and price and changes nothing; the answer is shown afterwards."""
    phone = served.pair()
    preview = phone.post("/wish", kind="now")
    assert preview.status == 200
    assert "Charges 26.0 kWh for $10.19, until 10:02\u202fpm." in preview.body
    assert "this is $5.17 more" in preview.body
    assert [(each.charge_now, each.preview) for each in served.daemon.asked] == [(True, True)]
    assert phone.confirm(preview).headers["Location"] == "/"
    assert served.daemon.asked[1].preview is None
    assert served.daemon.asked[1].charge_now
    assert "Done." in phone.get("/").body
    assert "Done." not in phone.get("/").body


def test_a_confirmation_that_is_sent_twice_counts_once(served: Served) -> None:
    """As by a second tap, or somebody who replays it."""
    phone = served.pair()
    preview = phone.post("/wish", kind="tonight")
    phone.confirm(preview)
    phone.confirm(preview)
    assert len(served.daemon.asked) == 2
    assert "This was asked for before." in phone.get("/").body


@pytest.mark.parametrize("kind", ["pause", "trip", "away", "level", "vehicle"])
def test_forms(served: Served, kind: str) -> None:
    """Each is a whole page with a form that has the device's key."""
    page = served.pair().get("/wish", point=POINT, kind=kind)
    assert page.status == 200
    tree = Tree(page.body)
    assert len(tree.all("form")) == len([e for e in tree.all("input") if e["name"] == "key"])


def test_a_wish_names_its_vehicle_where_there_are_several(served: Served) -> None:
    """In the heading of its form, and in the question; a household with one needs no name."""
    phone = served.pair()

    def headings() -> list[str]:
        pages = phone.get("/wish", point=POINT, kind="trip"), phone.post("/wish", kind="now")
        return [re.findall("<h1>(.*?)</h1>", page.body)[0] for page in pages]

    assert headings() == ["A trip", "Charge now?"]
    file = served.house.file
    vehicles = {**file.vehicles, "van": file.vehicles["hatchback"]}
    served.house = replace(served.house, file=file.model_copy(update={"vehicles": vehicles}))
    assert headings() == ["hatchback: A trip", "hatchback: Charge now?"]


def test_not_tonight_is_offered_if_the_departure_is_after_tonight(served: Served) -> None:
    """Not before a departure in the evening, as it charges tonight after that one."""
    phone = served.pair()
    pause = {"point": POINT, "kind": "pause"}
    assert ">Not tonight</button>" in phone.get("/wish", **pause).body
    served.world.ask(need_percent=60.0, by=EVENING + HOUR)
    served.link.report = served.report()
    page = phone.get("/wish", **pause).body
    assert "Not tonight" not in page
    assert ">Not before the next departure</button>" in page


def test_a_form_that_makes_no_sense_is_shown_again(served: Served) -> None:
    """With a sentence, and with what was filled in."""
    page = served.pair().post("/wish", kind="trip", day="2026-06-03", time="01:00", percent="80")
    assert page.status == 422
    assert "This time has passed." in page.body
    assert 'value="01:00"' in page.body
    assert served.daemon.asked == []


def test_a_refusal_and_a_missing_daemon_are_said(served: Served) -> None:
    """Nothing has changed, and why."""
    phone = served.pair()
    served.daemon.understood = False
    assert '<blockquote lang="en">not so</blockquote>' in phone.post("/wish", kind="now").body
    served.daemon.refusal = IN_TIME_AWAY
    page = phone.post("/wish", kind="now")
    assert "This is in the time away." in page.body
    assert "not so" not in page.body
    served.daemon.error = UnwellError("no broker: it is away")
    page = phone.post("/wish", kind="now")
    assert (page.status, "no broker: it is away" in page.body) == (409, True)


def test_a_device_that_may_only_look(served: Served) -> None:
    """It sees no button, and can't ask by other means."""
    phone = served.pair("look")
    page = phone.get("/").body
    assert "The hatchback will be at 80%" in page
    assert "<button" not in page
    assert phone.get("/wish", point=POINT, kind="trip").status == 303
    assert phone.post("/wish", kind="now").status == 303
    assert phone.post("/ask", wish='{"charge_now": true}', once="1").status == 303
    assert served.daemon.asked == []


@pytest.mark.parametrize("wish", ["", "{}", "[", '{"preview": true}', '{"own": 1}'])
def test_a_confirmation_of_nothing(served: Served, wish: str) -> None:
    """Whatever it holds, it is refused in words."""
    assert served.pair().post("/ask", wish=wish, once="1").status == 409
    assert served.daemon.asked == []


# --- devices ----------------------------------------------------------------------------------


def test_devices_are_listed_and_removed(served: Served) -> None:
    """A device that is removed is out at once; who may only look can remove nobody else."""
    mine, guest = served.pair(name="mine"), served.pair("look", "guest")
    assert "guest" in mine.get("/devices").body
    assert "mine" not in guest.get("/devices").body
    ids = {each.name: each.id for each in served.devices.read().paired}
    guest.post("/devices", device=ids["mine"])
    assert mine.get("/").status == 200
    assert "<h1>Remove guest?</h1>" in mine.post("/devices", device=ids["guest"]).body
    assert guest.get("/").status == 200
    mine.post("/devices", device=ids["guest"], sure="1")
    assert "guest is removed." in mine.get("/").body
    assert "here now" in mine.get("/devices").body
    assert guest.get("/").headers["Location"] == "/pair"
    asked = mine.post("/devices", device=ids["mine"])
    assert "only whoever set up Lullwatt, with lullwatt page --pair" in asked.body
    signed_out = mine.post("/devices", device=ids["mine"], sure="1")
    assert signed_out.headers["Set-Cookie"].startswith("device=; Path=/; Max-Age=0")
    assert mine.get("/").headers["Location"] == "/pair"


def code_in(page: WebResponse) -> str:
    """Return the code that a page shows to let another device in."""
    [code] = re.findall(r'<p class="code">([A-Z2-9-]{14})</p>', page.body)
    return str(code)


def enter(served: Served, code: str) -> int:
    form = {"code": code, "name": "partner"}
    return served.send(WebRequest("POST", "/pair", form=form, headers=OWN)).status


@pytest.mark.parametrize(("role", "may"), [("ask", "all that this one may"), ("look", "nothing")])
def test_a_device_lets_another_one_in(served: Served, role: Role, may: str) -> None:
    """By a code that is good once, with the role that was chosen; the list says who did it."""
    mine = served.pair(name="mine")
    page = mine.post("/devices/invite", role=role)
    assert may in page.body
    assert "<svg" in page.body
    assert f"http://{HOST}/pair" in page.body
    code = code_in(page)
    assert [enter(served, code), enter(served, code)] == [303, 403]
    partner = served.devices.read().paired[1]
    assert (partner.role, partner.name) == (role, "partner")
    assert "let in by mine" in mine.get("/devices").body
    asked = mine.post("/devices", device=partner.by)
    assert ("Another device that may ask can make one" in asked.body) == (role == "ask")


def test_a_new_code_makes_the_one_before_void(served: Served) -> None:
    """And so does ten minutes, and the removal of the device that made it."""
    mine, guest = served.pair(name="mine"), served.pair(name="guest")
    first, second = (code_in(mine.post("/devices/invite", role="ask")) for _ in range(2))
    assert [enter(served, first), enter(served, second)] == [403, 303]
    late = code_in(mine.post("/devices/invite", role="ask"))
    served.clock.advance_to(EVENING + 10 * MINUTE)
    assert enter(served, late) == 403
    of_guest = code_in(guest.post("/devices/invite", role="ask"))
    mine.post("/devices", device=served.devices.read().paired[1].id, sure="1")
    assert enter(served, of_guest) == 403


def test_who_may_not_let_another_device_in(served: Served) -> None:
    """Who may only look, is not paired, sends a form of elsewhere, or asks for another role."""
    mine, guest = served.pair(), served.pair("look")
    stranger = Browser(served, "x" * 43)
    for answer, status in (
        (guest.post("/devices/invite", role="look"), 303),
        (stranger.post("/devices/invite", role="ask"), 303),
        (mine.post("/devices/invite", role="owner"), 303),
        (mine.get("/devices/invite"), 404),
        (mine.post("/devices/invite", role="ask", key="0"), 403),
        (mine.post("/devices/invite", OWN | {"origin": "http://evil.example"}, role="ask"), 403),
    ):
        assert answer.status == status
    assert served.devices.read().offers == ()


def test_too_many_codes(served: Served) -> None:
    """A device makes ten in ten minutes; and none if there are as many devices as may be."""
    mine = served.pair()
    pages = [mine.post("/devices/invite", role="ask") for _ in range(MOST_INVITED + 1)]
    assert [each.status for each in pages[-2:]] == [200, 429]
    assert len(served.devices.read().offers) == 1
    served.seconds += 600
    assert mine.post("/devices/invite", role="ask").status == 200
    for _ in range(MOST_DEVICES - 1):
        served.pair()
    assert mine.post("/devices/invite", role="ask").status == 409


def test_an_open_page_of_a_removed_device_ends(served: Served) -> None:
    """Its stream says so, and shows nothing more."""
    phone = served.pair()

    async def events() -> list[str]:
        request = WebRequest("GET", "/live", cookies={"device": phone.token}, headers=OWN)
        stream = await served.site.respond(request)
        assert isinstance(stream, EventStream)
        heard = [await anext(stream.events), await anext(stream.events)]
        served.devices.change(lambda devices: devices.without(devices.paired[0].id))
        heard += [event async for event in stream.events]
        return heard

    first, second, last = asyncio.run(events())
    assert first.startswith('event: view\ndata: <p class="state well">')
    assert second == ":\n\n"
    assert last == "event: gone\ndata: \n\n"


# --- break-ins --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    ["/", "/live", "/wish", "/devices", "/../devices.json", "/style.css/../../x", "/%2e%2e/"],
)
def test_without_a_cookie(served: Served, path: str) -> None:
    """Every page but the one for pairing sends there; nothing of the household is shown."""
    for cookies in ({}, {"device": ""}, {"device": "guess"}):
        response = served.send(WebRequest("GET", path, cookies=cookies, headers=OWN))
        assert (response.status, response.body) == (303, "")
        assert response.headers["Location"] == "/pair"


def test_a_form_without_a_cookie(served: Served) -> None:
    """Nothing is asked for."""
    form = {"kind": "now", "point": POINT, "key": form_key("")}
    response = served.send(WebRequest("POST", "/wish", form=form, headers=OWN))
    assert (response.status, served.daemon.asked) == (303, [])


def test_a_stolen_code_is_worth_nothing(served: Served) -> None:
    """It is used already."""
    code = served.code()
    form = {"code": code, "name": "phone"}
    assert served.send(WebRequest("POST", "/pair", form=form, headers=OWN)).status == 303
    assert served.send(WebRequest("POST", "/pair", form=form, headers=OWN)).status == 403


def test_one_device_too_many(served: Served) -> None:
    """It is refused in words, though its code is good, and the others stay."""
    mine = served.pair()
    for _ in range(MOST_DEVICES - 1):
        served.pair()
    served.devices.change(lambda devices: devices.with_offer("K7QM2XRT9WPA", "ask", EVENING))
    form = {"code": "k7qm-2xrt-9wpa", "name": "phone"}
    full = served.send(WebRequest("POST", "/pair", form=form, headers=OWN))
    assert full.status == 409
    assert "50 devices are paired. Remove one of them first, then try again." in full.body
    assert 'value="K7QM-2XRT-9WPA"' in full.body
    mine.post("/devices", device=served.devices.read().paired[1].id, sure="1")
    assert served.send(WebRequest("POST", "/pair", form=form, headers=OWN)).status == 303
    assert mine.get("/").status == 200


def test_looking_at_the_pairing_page_uses_no_code(served: Served) -> None:
    """A preview of the link in another program spoils nothing."""
    code = served.code()
    page = served.send(WebRequest("GET", "/pair", query={"code": code}, headers=OWN))
    assert 'value="2222-2222-2222"' in page.body
    assert len(served.devices.read().offers) == 1


def test_guesses_for_ten_minutes(served: Served) -> None:
    """Few of them are looked at; meanwhile a right code lets another device in."""
    looked_at = 0
    for number in range(300):
        served.seconds += 2.0
        form = {"code": f"{number}", "name": "x"}
        request = WebRequest("POST", "/pair", form=form, headers=OWN, address="10.0.0.9")
        looked_at += served.send(request).status == 403
    assert 10 <= looked_at <= 25
    form = {"code": served.code(), "name": "phone"}
    request = WebRequest("POST", "/pair", form=form, headers=OWN, address="10.0.0.10")
    assert served.send(request).status == 303


@pytest.mark.parametrize(
    "headers",
    [
        OWN | {"origin": "http://evil.example"},
        OWN | {"origin": "null"},
        {name: value for name, value in OWN.items() if name != "origin"},
    ],
)
def test_a_form_of_another_site(served: Served, headers: dict[str, str]) -> None:
    """It is refused, even with the cookie and the key."""
    response = served.pair().post("/wish", headers, kind="now")
    assert (response.status, served.daemon.asked) == (403, [])


def test_a_form_without_the_key(served: Served) -> None:
    """It is refused, even from this origin."""
    response = served.pair().post("/wish", kind="now", key="")
    assert (response.status, served.daemon.asked) == (403, [])


def test_another_name(served: Served) -> None:
    """A page of somebody else that leads here by DNS gets nothing, whatever it asks for."""
    for path in ("/", "/pair", "/style.css"):
        response = served.send(WebRequest("GET", path, headers=OWN | {"host": "evil.example"}))
        assert response.status == 421
        assert "Kowhai" not in response.body


def test_other_methods(served: Served) -> None:
    """Only GET, HEAD and POST are known."""
    assert served.send(WebRequest("PUT", "/", headers=OWN)).status == 405
    assert served.send(WebRequest("HEAD", "/style.css", headers=OWN)).status == 200


def test_alive_says_nothing_more(served: Served) -> None:
    """A health check needs neither a cookie nor the right name."""
    response = served.send(WebRequest("GET", "/healthz"))
    assert (response.status, response.body) == (200, "alive\n")


def test_markup_in_every_name_stays_text(served: Served) -> None:
    """The names of a vehicle, a device, an alert, a wish and the words of the daemon."""
    status = served.link.report.points[POINT].status
    assert status is not None
    hostile: dict[str, Any] = {"vehicle": HOSTILE, "alerts": (HOSTILE,), "connected": False}
    point = PointReport(status.model_copy(update=hostile), None)
    served.link.report = Report({POINT: point}, None, HOSTILE)
    served.daemon.understood = False
    phone = served.pair(name=HOSTILE)
    pages = [
        phone.get("/").body,
        phone.get("/devices").body,
        phone.post("/wish", kind="now").body,
        phone.post("/wish", kind="vehicle", vehicle=HOSTILE).body,
        served.send(WebRequest("GET", "/pair", query={"code": HOSTILE}, headers=OWN)).body,
    ]
    for page in pages:
        assert "<script>alert" not in page
        assert "49" not in Tree(page).texts


def test_markup_in_the_file_and_in_the_record_stays_text(served: Served) -> None:
    """The names of the household, tariff and bands, and what nights and alerts have recorded."""
    file = served.house.file
    [tariff] = file.tariffs
    bands = tuple(band.model_copy(update={"name": HOSTILE}) for band in tariff.bands or ())
    hostile = {
        "household": file.household.model_copy(update={"name": HOSTILE}),
        "tariffs": (tariff.model_copy(update={"name": HOSTILE, "bands": bands}),),
    }
    served.house = replace(served.house, file=file.model_copy(update=hostile))
    [example] = [dict(topic.examples[0]) for topic in BUS_TOPICS if topic.name == "night"]
    night = example | {"vehicle": HOSTILE, "by_band": [{**example["by_band"][0], "band": HOSTILE}]}
    with open_ledger(served.ledger) as ledger:
        ledger.add_reading(POINT, EVENING - timedelta(days=3), register_wh=1_000_000)
        ledger.close_night(date(2026, 6, 2), POINT, HOSTILE, EVENING, night)
        ledger.add_alert(POINT, EVENING - HOUR, HOSTILE, HOSTILE)
    phone = served.pair()
    shown = ""
    for path, of in (
        ("/", ""), ("/nights", ""), ("/home", ""), ("/devices", ""), ("/month", "2026-06"),
        ("/night", "2026-06-02"),
    ):  # fmt: skip
        page = phone.get(path, of=of)
        assert page.status == 200, path
        assert "<script>alert" not in page.body, path
        assert "49" not in Tree(page.body).texts, path
        shown += page.body
    assert shown.count("&lt;script&gt;") > len(("household", "tariff", "band", "vehicle", "alert"))


def test_nothing_is_inline(served: Served) -> None:
    """The content security policy allows no script and no style within a page."""
    phone = served.pair()
    for page in (phone.get("/"), phone.post("/wish", kind="now"), phone.get("/devices")):
        tree = Tree(page.body)
        assert all("src" in each for each in tree.all("script"))
        assert tree.all("style") == []
        assert not any(
            name == "style" or name.startswith("on") for _, each in tree.starts for name in each
        )


def test_the_first_view_is_small(served: Served) -> None:
    """With all it needs it is below 60 kB."""
    phone = served.pair()
    parts = [
        phone.get("/"),
        *(phone.get(path) for path in STATIC if path != WORKER),
        phone.get("/manifest.webmanifest"),
    ]
    assert all(part.status == 200 for part in parts)
    bodies = [*(part.body for part in parts), static_file(WORKER)]
    assert sum(len(body.encode()) for body in bodies) < 60_000
    assert phone.get(WORKER).status == 404, "without TLS"


def test_a_wrong_code_leaves_what_was_filled_in(served: Served) -> None:
    """Nobody has to type the name again, nor the whole code for one wrong letter."""
    form = {"code": "ab23 cd45 ef67", "name": "Kitchen <b>"}
    page = served.send(WebRequest("POST", "/pair", form=form, headers=OWN))
    values = {str(each["name"]): each["value"] for each in Tree(page.body).all("input")}
    assert (page.status, values) == (403, {"code": "AB23-CD45-EF67", "name": "Kitchen <b>"})


# --- what is over -----------------------------------------------------------------------------


def test_nights_and_months(served: Served) -> None:
    """The present month and the one before, also for those who may only look."""
    page = served.pair("look").get("/nights")
    assert page.status == 200
    assert "June 2026" in page.body
    assert "May 2026" in page.body
    assert "Nothing was charged." in page.body


def test_a_month_and_a_night_have_pages(served: Served) -> None:
    """Each is linked from the list; why a night went as it did is told by `why`."""
    with open_ledger(served.ledger) as ledger:
        ledger.add_reading(POINT, EVENING - timedelta(days=2), register_wh=1_000_000)
        fill_a_year(ledger, date(2026, 6, 2), EVENING, nights=40)
    phone = served.pair("look")
    page = phone.get("/nights").body
    links = [str(each["href"]) for each in Tree(page).all("a")]
    assert {"/month?of=2026-06", "/month?of=2025-07", "/night?of=2026-06-02"} <= set(links)
    assert "June 2026 costs the same per kWh so far as May 2026: $0.1932." in page
    assert "Charging at once would have cost" in page
    month = phone.get("/month", of="2026-05").body
    assert "May 2026" in month
    assert "<dt>Standing charge</dt>" in month
    assert "NZD" not in month, "all money is the reader's"
    assert "Standing charge of the whole supply" in phone.get("/report", of="2026-05").body
    assert "style=" not in month, "the policy forbids it"
    night = phone.get("/night", of="2026-06-02").body
    assert "Night of Tue, 2 Jun" in night
    assert "It did not charge: the daemon was not running" in night
    assert "(command" not in night


@pytest.mark.parametrize(
    ("path", "of"),
    [
        ("/night", ""), ("/night", "2026-06-31"), ("/night", "2026-06-04"), ("/month", "2026-13"),
        ("/month", "2026-07"), ("/month", "<b>"), ("/report", "9" * 99), ("/report", ""),
    ],
)  # fmt: skip
def test_a_night_or_month_that_is_none(served: Served, path: str, of: str) -> None:
    """One that has not begun, or is no date, leads back to the list."""
    assert served.pair("look").get(path, of=of).headers["Location"] == "/nights"


def test_a_night_before_the_ledger_begins(served: Served) -> None:
    """The reason is said; no fault."""
    page = served.pair("look").get("/night", of="2020-01-01")
    assert (page.status, "The record can&#39;t be read." in page.body) == (503, True)


def test_alerts_and_the_file_in_words(served: Served) -> None:
    """Alerts in the householder's words, the latest first, and the lines of `check`."""
    with open_ledger(served.ledger) as ledger:
        ledger.add_alert(POINT, EVENING - 50 * MINUTE, "over-current", "too much")
        ledger.add_alert(None, EVENING - 40 * MINUTE, "from-tomorrow", "something new")
    page = served.pair("look").get("/home").body
    new, known = page.index("something new"), page.index("takes more current than it was told")
    assert new < known
    assert f"{POINT}: The charge point takes" in page
    assert "<h3>Tariffs, tax included</h3>" in page
    assert "21:00 to 07:00 every day." in page


def test_a_ledger_that_cannot_be_read(served: Served) -> None:
    """The page says so; the first view shows the rest."""
    served.ledger.write_text("no ledger", "utf-8")
    phone = served.pair()
    for path, status in (
        ("/nights", 503), ("/month", 503), ("/report", 503), ("/night", 503), ("/home", 200),
    ):  # fmt: skip
        page = phone.get(path, of="2026-06-02"[: 10 if path == "/night" else 7])
        assert page.status == status
        assert "The record can&#39;t be read." in page.body
    assert "<h3>Tariffs, tax included</h3>" in phone.get("/home").body
    assert "The hatchback will be at 80%" in phone.get("/").body
