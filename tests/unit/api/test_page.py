"""The page: its parts, and what it must not hold."""

import re

import pytest

from leverarm_api.routes.page import PARTS
from leverarm_daemon import units
from support.api import Bench

TEXTS = {name: body.decode() for name, (body, _) in PARTS.items()}


async def test_the_page_and_its_parts_are_served(stand: Bench) -> None:
    response = await stand.client.get("/")
    assert (response.status, response.content_type) == (200, "text/html")
    named = re.findall(r'(?:src|href)="(/[^"]+)"', await response.text())
    assert named
    for path in named:
        part = await stand.client.get(path)
        assert part.status == 200, path
    assert (await stand.client.get("/page/page.js")).content_type == "text/javascript"


def test_the_page_converts_by_the_same_factors() -> None:
    factors = re.findall(r"^const ([A-Z_]+) = ([\d.]+);$", TEXTS["units.js"], re.M)
    assert {name: float(value) for name, value in factors} == {
        name: getattr(units, name) for name in ("WATTS_PER_HP", "NM_PER_LBF_FT")
    }


def test_each_imported_module_is_there() -> None:
    imported = {name for text in TEXTS.values() for name in re.findall(r'from "\./([a-z]+\.js)"', text)}
    assert imported
    assert imported <= set(PARTS)


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_no_other_host(name: str) -> None:
    without_comments = re.sub(r"^\s*//.*$|\s// .*$", "", TEXTS[name], flags=re.M)
    addresses = re.findall(r"(?:https?:)?//[a-z0-9][^\s\"']*", without_comments)
    assert set(addresses) <= {"http://www.w3.org/2000/svg"}


def test_no_inline_script_or_style() -> None:
    page = TEXTS["index.html"]
    assert re.findall(r"<script[^>]*>\s*[^<\s]", page) == []
    assert "<style" not in page
    assert re.findall(r"\s(?:on[a-z]+|style)=", page) == []
    assert "javascript:" not in page


def test_the_stop_is_never_called_an_emergency_stop() -> None:
    everything = "\n".join(TEXTS[name] for name in ("index.html", "show.js", "page.js", "words.js", "records.js"))
    assert set(re.findall(r"[\w ]*emergency stop", everything.lower())) == {" this is no emergency stop"}
    button = re.search(r'<button[^>]*id="stop".*?</button>', TEXTS["index.html"], re.S)
    assert button is not None
    assert "disabled" not in button.group()


def test_the_word_safe_is_never_shown() -> None:
    shown = TEXTS["index.html"] + TEXTS["words.js"] + TEXTS["show.js"] + TEXTS["page.js"] + TEXTS["records.js"]
    assert re.findall(r"\bsafe\b", shown.lower()) == []


def test_every_id_that_the_scripts_use_is_in_the_page() -> None:
    scripts = "\n".join(text for name, text in TEXTS.items() if name.endswith(".js"))
    used = set(re.findall(r'\b(?:find|text|list|onPress)\("([a-z-]+)"', scripts))
    assert used
    assert used <= set(re.findall(r'id="([a-z-]+)"', TEXTS["index.html"]))


def test_every_field_has_its_label() -> None:
    page = TEXTS["index.html"]
    fields = set(re.findall(r'<(?:input|select)[^>]*id="([a-z-]+)"', page))
    assert fields
    assert fields == set(re.findall(r'<label for="([a-z-]+)"', page))
