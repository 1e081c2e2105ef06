"""The rendered page: one light file, closed to the outside, with every foreign text escaped."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from html.parser import HTMLParser
from importlib import resources
from itertools import pairwise

import pytest
from session_results import invented_session
from session_variants import HOSTILE, hostile, without_laps, without_torque

from reports.palette import DARK, LIGHT
from reports.render import (
    content_policy,
    json_for_script,
    page_script,
    plotly_bundle,
    render,
    style_sheet,
)
from reports.session import session_report


@pytest.fixture(scope="module")
def html() -> str:
    return render(session_report(invented_session()))


class Outline(HTMLParser):
    """Elements, attributes and visible text of a page, with scripts kept apart."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        if self.cdata_elem is None:
            self.text.append(data)


def outline(html: str) -> Outline:
    parsed = Outline()
    parsed.feed(html)
    return parsed


def own_part(html: str) -> str:
    """The page without the plotly bundle, whose text is not ours."""
    return html.replace(plotly_bundle(), "")


def test_the_vendored_bundle_is_the_recorded_one() -> None:
    vendor = resources.files("reports").joinpath("vendor")
    record = tomllib.loads(vendor.joinpath("manifest.toml").read_text(encoding="utf-8"))
    for entry in record.values():
        data = vendor.joinpath(entry["file"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == entry["sha256"]
        assert f"v{entry['version']}".encode() in data[:300]
        assert entry["licence"] == "MIT"
        assert "MIT License" in vendor.joinpath(entry["licence_file"]).read_text(encoding="utf-8")


def test_the_page_of_twenty_laps_and_120_000_samples_stays_below_1_8_megabytes() -> None:
    result = invented_session(laps=20)
    assert result.traces.time_s.size > 120_000
    assert len(render(session_report(result)).encode()) < 1_800_000


def test_the_same_result_gives_the_same_bytes(html: str) -> None:
    assert render(session_report(invented_session())) == html


def test_the_page_refers_to_nothing_outside_itself(html: str) -> None:
    for tag, attributes in outline(html).elements:
        assert not {"src", "srcset", "action", "data", "poster", "background"} & set(attributes), (
            tag
        )
        assert (attributes.get("href") or "#").startswith("#")
    assert not re.search(r"https?://|//cdn|@import|url\(", own_part(html))


def test_the_policy_names_each_script_and_style_by_hash_and_allows_no_other(html: str) -> None:
    policy = content_policy(style_sheet(), (plotly_bundle(), page_script()))
    assert "unsafe" not in policy
    assert "default-src 'none'" in policy
    metas = [attributes for tag, attributes in outline(html).elements if tag == "meta"]
    assert [m["content"] for m in metas if m.get("http-equiv") == "Content-Security-Policy"] == [
        policy
    ]


def test_no_element_carries_inline_style_or_an_event_handler(html: str) -> None:
    for tag, attributes in outline(html).elements:
        assert "style" not in attributes, tag
        assert not [name for name in attributes if name.startswith("on")], tag


def test_ids_are_unique_and_every_link_finds_its_place(html: str) -> None:
    elements = outline(html).elements
    ids = [attributes["id"] for _, attributes in elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    links = {attributes["href"] for tag, attributes in elements if tag == "a"}
    assert links
    assert {link[1:] for link in links if link} <= set(ids)


def test_hostile_text_adds_no_element_and_stands_as_text() -> None:
    calm, attacked = (
        outline(render(session_report(result)))
        for result in (invented_session(), hostile(invented_session()))
    )
    assert not [tag for tag, _ in attacked.elements if tag in {"img", "iframe", "object", "link"}]
    count = [sum(tag == "script" for tag, _ in page.elements) for page in (calm, attacked)]
    assert count == [4, 4]
    assert "".join(attacked.text).count(HOSTILE) > 15


def test_json_in_a_script_element_cannot_end_it_and_reads_back() -> None:
    value = {"name": f"{HOSTILE}\u2028<!--"}
    text = str(json_for_script(value))
    assert "<" not in text
    assert "\u2028" not in text
    assert json.loads(text) == value


def test_numbers_that_json_cannot_hold_are_refused() -> None:
    with pytest.raises(ValueError, match="JSON"):
        json_for_script({"x": float("nan")})


@pytest.mark.parametrize("change", [without_torque, without_laps], ids=["no torque", "no laps"])
def test_a_poor_session_still_renders_and_explains_its_absent_figures(change) -> None:
    text = " ".join(
        "".join(outline(render(session_report(change(invented_session())))).text).split()
    )
    assert "Not drawn: " in text


def test_cautions_and_the_bundles_licence_are_on_the_page(html: str) -> None:
    text = "".join(outline(html).text)
    for word in ("hot oil", "seizes", "closed ground", "makers' limits"):
        assert word in text
    assert "Licensed under the MIT license" in html


def test_every_light_colour_has_a_dark_partner_and_none_is_used_twice() -> None:
    assert set(LIGHT) == set(DARK)
    assert len(set(LIGHT.values())) == len(LIGHT)


def _lightness(colour: str) -> float:
    """CIE L* of an sRGB colour (IEC 61966-2-1, CIE 15), from memory, D65."""
    linear = []
    for part in (colour[1:3], colour[3:5], colour[5:7]):
        level = int(part, 16) / 255.0
        linear.append(level / 12.92 if level <= 0.04045 else ((level + 0.055) / 1.055) ** 2.4)
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return 116.0 * luminance ** (1 / 3) - 16.0 if luminance > 0.008856 else 903.3 * luminance


def test_the_four_slip_states_stay_apart_in_grey_print() -> None:
    states = ("held", "axle_overspeed", "inside_drag", "inside_overspeed")
    steps = [_lightness(LIGHT[name]) for name in states]
    assert min(b - a for a, b in pairwise(steps)) > 10.0


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("name", ["ink", "muted", "law", "sheet", "chosen", "second", "heat"])
def test_text_and_lines_stand_out_from_the_paper(colours: dict[str, str], name: str) -> None:
    # WCAG 2.2 asks for a contrast of 4.5 for text (success criterion 1.4.3, from memory).
    y = [((_lightness(c) + 16.0) / 116.0) ** 3 for c in (colours[name], colours["paper"])]
    assert (max(y) + 0.05) / (min(y) + 0.05) >= 4.5
