"""A page put through its paces in a browser: what is wrong with it, in words; nothing if all is well."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from pathlib import Path
from typing import Any

from chromium import Browser, Page

AUDITS = (Path(__file__).parent / "audits.js").read_text(encoding="utf-8")
SUPERSCRIPTS = str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789")
# A4 less the margins that the page sets, in CSS pixels (CSS Values 4, section 6.2: 96 to the inch).
PRINTED_WIDTH = math.floor((210 - 2 * 15) / 25.4 * 96)
PRINTED_SIDEWAYS = math.floor((297 - 2 * 15) / 25.4 * 96)
A4_IN_POINTS = (210 / 25.4 * 72, 297 / 25.4 * 72)


def faults_of(browser: Browser, path: Path) -> list[str]:
    """Everything that is wrong with the page in this file."""
    with browser.page(path) as page:
        page.call("Emulation.setFocusEmulationEnabled", enabled=True)
        load(page)
        found = [f"1280 px: {fault}" for fault in looks(page)]
        found += keyboard(page)
        found += sorting(page)
        page.resize(360, 740, mobile=True)
        found += [f"360 px: {fault}" for fault in looks(page)]
        found += on_paper(page)
        found += quiet(page, path)
    return found


def load(page: Page) -> None:
    """Put the audits into the page; the page's own policy does not bind the one who examines it."""
    page.value(f"globalThis.audits = (() => {{ {AUDITS} return audits; }})(); null")


def ask(page: Page, audit: str, *arguments: object) -> Any:
    return page.value(f"audits.{audit}({', '.join(json.dumps(value) for value in arguments)})")


def looks(page: Page) -> list[str]:
    """What shows on a screen of this size."""
    audits = ("alternatives", "contrasts", "widths", "sizes", "outline")
    return [fault for audit in audits for fault in ask(page, audit)]


def on_paper(page: Page) -> list[str]:
    """On A4: nothing is cut at the right, no text needs its coloured ground, the sheets are A4."""
    page.medium("print")
    page.resize(PRINTED_SIDEWAYS, 1000)
    found = ask(page, "widths")
    ask(page, "hideSideways", True)
    page.resize(PRINTED_WIDTH, 1000)
    found += ask(page, "widths")
    ask(page, "hideSideways", False)
    found += ask(page, "alternatives") + ask(page, "contrasts", True)
    page.medium("")
    sheets = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", page.pdf())
    if not sheets:
        found.append("no sheet")
    for sheet in set(sheets):
        sides = sorted(float(side) for side in sheet)
        if any(abs(side - want) > 1 for side, want in zip(sides, A4_IN_POINTS, strict=True)):
            found.append(f"a sheet of {sheet} points, expected A4")
    return [f"on paper: {fault}" for fault in found]


def quiet(page: Page, path: Path) -> list[str]:
    """Nothing was said on the console, and nothing was asked for but the file itself."""
    said = page.events("Log.entryAdded", "Runtime.consoleAPICalled", "Runtime.exceptionThrown")
    found = [f"console: {json.dumps(message)[:300]}" for message in said]
    asked = {event["request"]["url"] for event in page.events("Network.requestWillBeSent")}
    asked |= {event["url"] for event in page.events("Network.webSocketCreated")}
    own = path.resolve().as_uri()
    return found + [f"fetched: {url[:100]}" for url in asked if url != own and not url.startswith("data:")]


def keyboard(page: Page) -> list[str]:
    """The tab key reaches everything in the order in which it is read, with a ring that shows, and leaves again."""
    found: list[str] = []
    wanted = page.value("audits.stops()")
    places: list[int] = []
    page.value("scrollTo(0, 0); document.activeElement.blur()")
    for _ in range(wanted):
        page.press("Tab")
        here = ask(page, "focused")
        if here is None:
            break
        if places and here["place"] <= places[-1]:
            found.append(f"keyboard: {here['name']} comes out of order")
        if not here["ring"] or here["ringContrast"] < 3:
            found.append(f"keyboard: no ring is seen on {here['name']}")
        if not here["inView"]:
            found.append(f"keyboard: {here['name']} is out of sight when it has the focus")
        places.append(here["place"])
    if len(places) < wanted:
        found.append(f"keyboard: {len(places)} of {wanted} places are reached")
    return found + _skip(page)


def _skip(page: Page) -> list[str]:
    """The first stop leads over the links to the content."""
    page.value("scrollTo(0, 0); document.activeElement.blur()")
    # Where the last focus was, the next tab would go on; a click at the corner starts anew.
    for kind in ("mousePressed", "mouseReleased"):
        page.call("Input.dispatchMouseEvent", type=kind, x=1, y=1, button="left", clickCount=1)
    page.press("Tab")
    target = page.value("document.activeElement.getAttribute('href')")
    if not isinstance(target, str) or not target.startswith("#"):
        return ["keyboard: the first stop is no link to the content"]
    page.press("Enter")
    page.press("Tab")
    order = f"document.querySelector({json.dumps(target)}).compareDocumentPosition(document.activeElement)"
    # 4: DOCUMENT_POSITION_FOLLOWING
    return [] if page.value(order) & 4 else ["keyboard: the link to the content does not lead there"]


def number(text: str) -> float | None:
    """A number as it is printed; None where there is none."""
    plain = text.replace("\u2212", "-").replace("\u202f", "").strip()
    power = re.fullmatch(r"(-?[\d.]+) × 10([⁻⁰-⁹¹²³]+)", plain)
    if power:
        return float(power[1]) * 10 ** int(power[2].translate(SUPERSCRIPTS))
    # "< 0.001" lies below every number that is printed so, "> 0.999" above.
    bound = re.fullmatch(r"([<>]) ([\d.]+)", plain)
    if bound:
        return float(bound[2]) + (-1e-9 if bound[1] == "<" else 1e-9)
    try:
        return float(plain)
    except ValueError:
        return None


def sorting(page: Page) -> list[str]:
    """Sorting by any column keeps every row whole, orders its numbers, and a third press undoes it."""
    found = []
    tables = ask(page, "tables")
    for place, table in enumerate(tables):
        if len(table["rows"]) < 3:
            continue
        for column, head in enumerate(table["heads"]):
            where = f"sorting: {table['caption']}, {head['text'].strip()}"
            if not head["button"]:
                found.append(f"{where}: no button")
                continue
            turns = ask(page, "press", place, column)
            for now, wanted in zip(turns, ("ascending", "descending", None), strict=True):
                found += [f"{where}: {fault}" for fault in _sorted_faults(table, now, column, wanted)]
    return found + _sorted_by_key(page, tables)


def _sorted_faults(before: Any, now: Any, column: int, wanted: str | None) -> list[str]:
    found = []
    if Counter(map(tuple, now["rows"])) != Counter(map(tuple, before["rows"])):
        found.append("rows have changed")
    marks = [head["sort"] for head in now["heads"]]
    if marks != [wanted if i == column else None for i in range(len(marks))]:
        found.append(f"aria-sort is {marks}")
    if wanted is None and now["rows"] != before["rows"]:
        found.append("the order of the report does not come back")
    if wanted is not None and before["heads"][column]["numeric"]:
        values = [number(row[column]) for row in now["rows"]]
        known = [value for value in values if value is not None]
        if values != [*known, *[None] * (len(values) - len(known))]:
            found.append("cells without a number do not come last")
        if known != sorted(known, reverse=wanted == "descending"):
            found.append(f"not {wanted}: {known}")
    return found


def _sorted_by_key(page: Page, tables: Any) -> list[str]:
    """Space and the return key press a head, as a click does."""
    place = next((i for i, table in enumerate(tables) if len(table["rows"]) >= 3), None)
    if place is None:
        return []
    ask(page, "focusOn", place, 0)
    marks = []
    for key in (" ", "Enter", " "):
        page.press(key)
        marks.append(ask(page, "tables")[place]["heads"][0]["sort"])
    return [] if marks == ["ascending", "descending", None] else [f"sorting by keyboard: {marks}"]
