"""The page in a real browser, against the served application with a fake guard and recorder."""

import asyncio
import contextlib
import re
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from playwright.async_api import BrowserContext, Page, async_playwright, expect

from leverarm_api.access import digest
from leverarm_api.app import served
from leverarm_api.live import LiveHub
from leverarm_daemon.causes import CAUSES
from leverarm_daemon.ipc.messages import Allow, Keep, Reset, Stop
from leverarm_daemon.records import Value
from support.api import TOKEN, make_store, stand_file
from support.fakes import FakeGuard, FakeRecorder, live, view

CHROMIUM = Path("/usr/bin/chromium")
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1440, "height": 900}


class Shown:
    """The page, open, with what stands behind it and what the browser complained of."""

    def __init__(self, page: Page, url: str, guard: FakeGuard, recorder: FakeRecorder) -> None:
        self.page, self.url, self.guard, self.recorder = page, url, guard, recorder
        self.complaints: list[str] = []
        self.hosts: set[str] = set()
        page.on("console", lambda message: self._note(message.type, message.text))
        page.on("pageerror", lambda error: self._note("error", str(error)))
        page.on("request", lambda request: self.hosts.add(request.url.split("/")[2]))

    def _note(self, kind: str, words: str) -> None:
        if kind in ("error", "warning"):
            self.complaints.append(words)

    async def open(self, token: str = "") -> None:
        """Open the page, with the token in the address as people paste it."""
        await self.page.goto(f"{self.url}/#token={token}" if token else f"{self.url}/")
        await expect(self.page.locator("#stand-name")).to_contain_text("test-stand")

    def show(self, **changes: Any) -> None:
        """Let guard and recorder tell of this guard's view."""
        self.guard.view = view(**changes)
        self.recorder.picture = live(guard=self.guard.view)

    async def says(self, element: str, words: str) -> None:
        """Wait until an element holds these words."""
        await expect(self.page.locator(element)).to_contain_text(words)


@contextlib.asynccontextmanager
async def browser(folder: Path, **settings: Any) -> AsyncIterator[BrowserContext]:
    async with async_playwright() as playwright:
        context = await playwright.chromium.launch_persistent_context(
            folder / "browser", executable_path=CHROMIUM, headless=True, args=["--no-sandbox"], **settings
        )
        try:
            yield context
        finally:
            await context.close()


@contextlib.asynccontextmanager
async def shown(folder: Path, size: dict[str, int]) -> AsyncIterator[Shown]:
    stand, guard, recorder = stand_file(folder), FakeGuard(), FakeRecorder()
    make_store(stand.store)
    async with (
        guard.listening(stand.guard_sock), recorder.listening(stand.recorder_sock),
        served(stand, digest(TOKEN)) as url, browser(folder, viewport=size) as context,
    ):
        yield Shown(context.pages[0], url, guard, recorder)


@pytest.fixture
async def phone(tmp_path: Path) -> AsyncIterator[Shown]:
    async with shown(tmp_path, PHONE) as made:
        yield made


async def until_asked(asked: Callable[[], object]) -> None:
    """Wait until something has been asked of the fake."""
    async with asyncio.timeout(5):
        while not asked():  # noqa: ASYNC110 (the fake only notes it down)
            await asyncio.sleep(0.02)


async def test_a_running_stand_is_shown_and_the_browser_has_nothing_to_complain_of(phone: Shown) -> None:
    await phone.open()
    await phone.says("#state-word", "Running")
    await phone.says("#speed_rpm .figure", "2,600")
    await phone.says("#torque_corrected_nm .figure", "15.2")
    await phone.says("#power_corrected_kw .unit", "kW")
    await phone.says("#head_c .quality", "bad: open")
    await phone.says("#simulated", "Simulated data")
    await phone.says("#room-bars", "1,600 rpm left before 4,200")
    await phone.says("#age", "data is fresh")
    await phone.says("#verdict-lines", "foam against paper")
    await phone.says("#pulls-list", "left out")
    assert await phone.page.locator("#curve").get_attribute("aria-label") == (
        "Torque and power against speed: torque up to 15.5 N·m at 2,600 rpm, power up to 4.49 kW at 3,000 rpm"
    )
    assert phone.complaints == []
    assert phone.hosts == {phone.url.removeprefix("http://")}


async def test_stop_needs_no_token_and_no_stream(phone: Shown) -> None:
    await phone.page.route("**/v1/live", lambda route: route.abort())
    await phone.open()
    phone.guard.view = view(state="running")
    await phone.page.locator("#stop").click()
    await phone.says("#answer", "has been told to stop")
    assert any(isinstance(request, Stop) for request in phone.guard.asked)
    await phone.says("#state-word", "Held")


async def test_a_key_stops_too(phone: Shown) -> None:
    await phone.open()
    await phone.page.keyboard.press("Escape")
    await until_asked(lambda: [request for request in phone.guard.asked if isinstance(request, Stop)])


async def test_a_stop_that_fails_says_to_use_the_button(phone: Shown) -> None:
    await phone.open()
    phone.guard.silent = True
    await phone.page.locator("#stop").click()
    await phone.says("#answer", "use the button on the stand")


async def test_allow_takes_the_token_from_the_address_and_hides_it(phone: Shown) -> None:
    phone.show()
    await phone.open(TOKEN)
    await phone.page.locator("#allow").click()
    await until_asked(lambda: [request for request in phone.guard.asked if isinstance(request, Allow)])
    assert TOKEN not in phone.page.url


async def test_without_the_token_nothing_but_stop_can_be_pressed(phone: Shown) -> None:
    phone.show()
    await phone.open()
    await phone.says("#command-hint", "needs the token")
    await expect(phone.page.locator("#allow")).to_be_disabled()
    await expect(phone.page.locator("#select")).to_be_disabled()
    await expect(phone.page.locator("#stop")).to_be_enabled()


async def test_reasons_against_a_start_are_listed(phone: Shown) -> None:
    phone.show(why_not=("no build is selected", "the shield is open"), build=None)
    await phone.open(TOKEN)
    await phone.says("#why-not", "the shield is open")
    await expect(phone.page.locator("#allow")).to_be_disabled()


async def test_a_trip_shows_its_first_cause_with_advice_and_what_followed(phone: Shown) -> None:
    phone.show(state="tripped", first_cause="overspeed", followed_by=("load-lost",))
    await phone.open(TOKEN)
    await phone.says("#cause-words", CAUSES["overspeed"].words)
    await phone.says("#cause-advice", "Throttle shut, strap slack, fuel off")
    await phone.says("#cause-followed", CAUSES["load-lost"].words)
    await phone.says("#cause-speeds", "4,390 rpm peak")
    await phone.page.locator("#reset").click()
    await until_asked(lambda: [request for request in phone.guard.asked if isinstance(request, Reset)])


async def test_old_data_is_greyed_and_then_no_longer_shown_as_numbers(phone: Shown) -> None:
    await phone.open()
    await phone.says("#age", "data is fresh")
    phone.recorder.picture = msgspec.structs.replace(phone.recorder.picture, age_ms=900)
    await phone.says("#age", "s old")
    await expect(phone.page.locator("body")).to_have_class("stale")
    phone.recorder.picture = msgspec.structs.replace(phone.recorder.picture, age_ms=9000)
    await expect(phone.page.locator("#speed_rpm .figure")).to_have_text("–")


async def test_a_frozen_guard_is_not_shown_as_running(phone: Shown) -> None:
    await phone.open()
    await phone.says("#state-word", "Running")
    phone.guard.silent = True
    phone.recorder.picture = msgspec.structs.replace(phone.recorder.picture, age_ms=900)
    await phone.says("#state-word", "Not known")
    await phone.says("#state-line", "The guard does not answer; use the button on the stand.")
    await phone.says("#build", "not known")
    await expect(phone.page.locator("body")).to_have_attribute("data-state", "unknown")
    await expect(phone.page.locator("#room-bars")).to_be_empty()


async def test_a_server_that_says_nothing_any_more_is_not_believed(
    phone: Shown, monkeypatch: pytest.MonkeyPatch
) -> None:
    await phone.open()
    await phone.says("#state-word", "Running")
    phone.guard.silent = True                                       # /v1/state waits for it
    monkeypatch.setattr(LiveHub, "_put", lambda *_: None)
    await expect(phone.page.locator("#state-word")).to_have_text("Not known", timeout=1000)
    await expect(phone.page.locator("#room-bars")).to_be_empty()


async def test_a_recorder_that_is_gone_is_told_with_the_guards_state(phone: Shown) -> None:
    await phone.open()
    phone.guard.view = view(state="stopping")
    phone.recorder.sending = False
    await phone.says("#not-recorded", "This run is not recorded: the recorder does not answer")
    await phone.says("#state-word", "Stopping")


async def test_inputs_are_told_in_words(phone: Shown) -> None:
    phone.show(inputs=(("loop", True), ("shield", False), ("key", False), ("door", True)))
    await phone.open()
    await phone.says("#inputs", "stop loop closed · shield open · key not turned · door on")
    phone.show(inputs=(("loop", False), ("shield", True), ("key", True)))
    await phone.says("#inputs", "stop loop open · shield shut · key turned")


async def test_between_pulls_the_last_one_is_drawn_as_it_is_stored(phone: Shown) -> None:
    await phone.open()
    await phone.says("#pull-words", "pulling")
    await phone.says("#curve-correction", "both corrected: SAE J1349")
    fragment = ((3900.0, 1.0, 0.4), (3850.0, 1.1, 0.4))
    phone.recorder.picture = live(pull="", curve=fragment)
    await phone.says("#pull-words", "No pull is under way. Shown: pull 6, foam")
    await expect(phone.page.locator("#curve")).to_have_attribute(         # 12.2 N·m and 3.8 kW by 1.01
        "aria-label", re.compile("torque up to 12.3 N·m at 3,000 rpm, power up to 3.84 kW")
    )


async def test_units_are_chosen_once_and_kept(phone: Shown) -> None:
    phone.recorder.picture = msgspec.structs.replace(
        phone.recorder.picture, values={**phone.recorder.picture.values, "head_c": Value(100.0, "°C")}
    )
    await phone.open()
    await phone.says("#pulls-list", "15.2 N·m at 2,500, 4.56 kW at 3,300")
    await phone.page.locator("#units").select_option("trade")
    for _ in range(2):
        await phone.says("#torque_corrected_nm .figure", "11.2")              # 15.2 N·m / 1.3558
        await phone.says("#torque_corrected_nm .unit", "lb·ft")
        await phone.says("#power_corrected_kw .figure", "5.65")     # 4.21 kW / 0.7457
        await phone.says("#head_c .figure", "212")
        await phone.says("#room-bars", "270 °F left before 482")    # 250 °C is 482 °F
        await phone.says("#pulls-list", "11.2 lb·ft at 2,500, 6.12 hp at 3,300")
        await phone.says("#verdict-lines", "against 6.07 hp")
        await phone.says("#groups", "Power, hp")
        await phone.says("#groups", "6.07 (")
        await expect(phone.page.locator("#curve")).to_have_attribute("aria-label", re.compile("6.02 hp at 3,000 rpm"))
        await phone.page.reload()
    await phone.page.locator("#units").select_option("si")
    await phone.says("#pulls-list", "15.2 N·m at 2,500, 4.56 kW at 3,300")
    await phone.says("#torque_corrected_nm .figure", "15.2")


async def test_keep_is_one_touch(phone: Shown) -> None:
    await phone.open(TOKEN)
    await phone.page.get_by_role("button", name="Keep pull 7").click()
    await until_asked(lambda: phone.recorder.kept)
    assert phone.recorder.kept == [Keep(7, True, "REST from 127.0.0.1", "one touch on the page")]


async def test_leaving_out_asks_for_a_reason_and_shows_it(phone: Shown) -> None:
    await phone.open(TOKEN)
    await phone.page.get_by_role("button", name="Leave out pull").first.click()
    reason = phone.page.get_by_label("is left out")
    await reason.press("Enter")
    assert not phone.recorder.kept, "not without a reason"
    await reason.fill("strap slipped")
    await reason.press("Enter")
    await until_asked(lambda: phone.recorder.kept)
    assert (phone.recorder.kept[0].kept, phone.recorder.kept[0].why) == (False, "strap slipped")


async def test_a_wrong_token_is_told_at_once_and_not_kept(phone: Shown) -> None:
    await phone.open()
    await phone.page.get_by_label("Token").fill("wrong")
    await phone.page.get_by_role("button", name="Use this token").click()
    await phone.says("#token-words", "Without the token this page can look, and stop")
    await phone.says("#answer", "That is not the stand's token. Use the one that was printed at the first start.")


@pytest.mark.parametrize("size", [PHONE, DESK, {"width": 320, "height": 568}])
async def test_it_fits_and_stop_is_always_in_reach(tmp_path: Path, size: dict[str, int]) -> None:
    async with shown(tmp_path, size) as made:
        made.show()
        await made.open(TOKEN)
        await made.says("#pulls-list", "no. 7")
        wide = await made.page.evaluate("document.documentElement.scrollWidth")
        assert wide <= size["width"]
        for place in ("window.scrollTo(0, 0)", "window.scrollTo(0, document.body.scrollHeight)"):
            await made.page.evaluate(place)
            await expect(made.page.locator("#stop")).to_be_in_viewport(ratio=1)
        boxes = await made.page.locator("button:visible, select:visible, input:visible").all()
        sizes = [await box.bounding_box() for box in boxes]
        assert len(sizes) > 5
        assert all(box and box["height"] >= 44 and box["width"] >= 44 for box in sizes)


CONTRAST = """(selector) => {
  const light = (colour) => {
    const [r, g, b] = colour.match(/[\\d.]+/g).map(Number).map((c) => c / 255)
      .map((c) => (c <= 0.03928 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const element = document.querySelector(selector);
  let under = element;
  while (getComputedStyle(under).backgroundColor === "rgba(0, 0, 0, 0)") under = under.parentElement;
  const [a, b] = [light(getComputedStyle(element).color), light(getComputedStyle(under).backgroundColor)];
  return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_words_stand_out_from_their_ground(phone: Shown, scheme: Any) -> None:
    await phone.page.emulate_media(color_scheme=scheme)
    phone.show(state="tripped", first_cause="overspeed", followed_by=("load-lost",))
    await phone.open()
    await phone.says("#head_c .quality", "bad")
    for selector in (
        "#state-word", "#state-line", "#cause-followed", "#simulated", "#age", ".label", ".small", "#stop",
        "#head_c .quality", ".left-out span",
    ):
        assert await phone.page.evaluate(CONTRAST, selector) >= 4.5, selector
