"""Metric and US customary units: conversions against NIST, how quantities are typed and shown, who chooses."""

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st

from inspector.errors import InputError
from inspector.web import quantities, units, words
from inspector.web.language import asked_language, speaking
from inspector.web.quantities import measuring_in, read_number
from inspector.workshop import Workshop


def test_conversions_are_those_of_nist() -> None:
    # NIST Special Publication 811 (2008), appendix B.8: inch 2.54 E-02 m (exact), psi 6.894 757 E+03 Pa; degree
    # Fahrenheit t/degC = (t/degF - 32)/1.8 (exact). https://doi.org/10.6028/NIST.SP.811e2008
    assert units.MM_PER_INCH == 25.4
    assert pytest.approx(6.894757e-3, abs=5e-10) == units.MPA_PER_PSI
    assert units.inches_from_mm(25.4) == 1
    assert units.degc_from_degf(212) == 100
    assert units.degf_from_degc(0) == 32
    assert units.degf_from_degc(-40) == -40


def test_concrete_of_4000_psi_is_28_mpa() -> None:
    # ACI 318M-14, table 19.2.1.1 and the metric edition throughout: 28 MPa beside 4000 psi (a rounded equivalence; from
    # memory).
    assert units.mpa_from_psi(4000) == pytest.approx(28, rel=0.02)


@given(st.floats(min_value=-40, max_value=250, allow_nan=False))
def test_what_is_typed_in_fahrenheit_is_shown_as_it_was_typed(temperature_degf: float) -> None:
    back = units.degf_from_degc(units.degc_from_degf(temperature_degf))
    assert back == pytest.approx(temperature_degf, abs=1e-9)


@pytest.mark.parametrize(
    ("sizes", "metric", "us"),
    [
        ({"length_mm": 6.12, "width_mm": 3.0}, "6.1 × 3.0 mm", "0.24 × 0.12 in"),
        (
            {"length_mm": 23.6, "width_mm": 10.2, "depth_mm": 2.25},
            "24 × 10 mm, 2.2 mm deep",
            "0.93 × 0.40 in, 0.09 in deep",
        ),
        (
            {"kind": "hairline crack", "length_mm": 41.2, "width_mm": 0.31},
            "41 mm long, 0.31 mm wide",
            "1.62 in long, 0.012 in wide",
        ),
    ],
)
def test_sizes_are_said_in_the_units_of_the_workshop(sizes: dict[str, Any], metric: str, us: str) -> None:
    finding: Any = SimpleNamespace(**{"kind": "chip", "length_mm": None, "width_mm": None, "depth_mm": None, **sizes})
    assert words.size(finding) == metric
    with measuring_in(lambda: "us"):
        assert words.size(finding) == us


def test_temperatures_and_strengths_are_said_in_the_units_of_the_workshop() -> None:
    assert (quantities.temperature(18.5), quantities.strength(25.3)) == ("18.5 °C", "25.3 MPa")
    with measuring_in(lambda: "us"):
        assert (quantities.temperature(18.5), quantities.strength(25.3)) == ("65.3 °F", "3669 psi")
    with speaking(asked_language("es-ES")):
        assert quantities.temperature(18.5) == "18,5 °C"


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12.5", 12.5),
        ("12,5", 12.5),
        (" 0.450 ", 0.45),  # no thousands begin with 0
        ("0,450", 0.45),
        ("1250", 1250.0),
        ("1.25", 1.25),
        ("1,2500", 1.25),
        ("1234.567", 1234.567),  # no thousands have four digits before the mark
        ("-3,5", -3.5),
        ("\N{MINUS SIGN}3.5", -3.5),
        (".5", 0.5),
        ("7.", 7.0),
        ("1e3", 1000.0),  # as programs write it
    ],
)
def test_a_comma_and_a_point_both_mean_decimals(text: str, value: float) -> None:
    assert read_number(text) == value


@pytest.mark.parametrize("text", ["1.250", "1,250", "12.500", "-999,125"])
def test_what_could_be_thousands_or_decimals_is_refused_and_never_guessed(text: str) -> None:
    with pytest.raises(InputError, match="two ways"):
        read_number(text)


@pytest.mark.parametrize(
    "text", ["1.250,5", "1,250.5", "1 250", "12 °C", "1e999", "١٢", "nan", "inf", "0x10", "--1", "."]
)
def test_other_writing_is_no_number(text: str) -> None:
    with pytest.raises(InputError, match="no number"):
        read_number(text)


@given(
    st.floats(min_value=-9e5, max_value=9e5, allow_nan=False).map(lambda value: round(value, 6)),
    st.sampled_from(["en-US", "es-ES", "es-MX"]),
)
def test_a_field_sent_back_unchanged_changes_nothing(value: float, asked: str) -> None:
    with speaking(asked_language(asked)):
        assert read_number(quantities.typed(value)) == pytest.approx(value, abs=1e-9)


def record_pour(client: TestClient, **more: str) -> str:
    shop: Workshop = client.app.state.workshop  # type: ignore[attr-defined]
    mix = shop.mixes()[0].name
    answer = client.post("/pours", data={"mix": mix, "molds": "oak-leaf", "poured_at": "2026-11-24T08:00", **more})
    assert answer.status_code == 200, answer.text
    return str(answer.url).partition("#")[0]


def test_whoever_manages_chooses_the_units_and_the_log_keeps_who_did(reviewer: TestClient) -> None:
    shop: Workshop = reviewer.app.state.workshop  # type: ignore[attr-defined]
    assert shop.units() == "metric"
    page = reviewer.post("/units", data={"units": "us", "name": "Marta"}).text
    assert "Marta: <strong>US customary units: in, °F, psi</strong>" in page
    reviewer.post("/units", data={"units": "us", "name": "Marta"})
    assert [(choice.units, choice.said_by) for choice in shop.unit_choices()] == [("us", "Marta")]
    assert reviewer.post("/units", data={"units": "furlongs", "name": "Marta"}).status_code == 422


def test_pages_ask_and_tell_in_the_chosen_units_and_the_log_stays_metric(reviewer: TestClient) -> None:
    shop: Workshop = reviewer.app.state.workshop  # type: ignore[attr-defined]
    reviewer.post("/units", data={"units": "us", "name": "Marta"})
    assert "How warm it is there, in °F" in reviewer.get("/pours").text
    address = record_pour(reviewer, temperature_f="65,3")
    assert "65.3 °F all the while" in reviewer.get(address).text
    (record,) = shop.curing.temperatures(int(address.split("/")[-1]))
    assert record.constant_degc == pytest.approx(18.5)
    reviewer.post(f"{address}/break-tests", data={"strength_psi": "1450"})
    assert "1450 psi" in reviewer.get(address).text
    (test,) = shop.curing.break_tests()
    assert test.strength_mpa == pytest.approx(9.997398)  # 1450 times 6.894 757 E-03


def test_a_form_that_was_open_when_the_units_changed_is_read_as_it_was_shown(reviewer: TestClient) -> None:
    shop: Workshop = reviewer.app.state.workshop  # type: ignore[attr-defined]
    reviewer.post("/units", data={"units": "us", "name": "Marta"})
    address = record_pour(reviewer, temperature_c="18.5")
    (record,) = shop.curing.temperatures(int(address.split("/")[-1]))
    assert record.constant_degc == 18.5


def test_a_number_that_can_be_read_in_two_ways_is_refused_in_words(reviewer: TestClient) -> None:
    answer = reviewer.post("/molds/oak-leaf/targets", data={"target_loss_percent": "5", "piece_cost": "1.250"})
    assert answer.status_code == 422
    assert "“1.250” can be read in two ways. Write 1250 for thousands, or 1.2500 " in answer.text


def test_a_sheet_is_in_the_chosen_units(reviewer: TestClient, add: Callable[..., int]) -> None:
    piece = add(chips=1)
    assert " mm" in reviewer.get(f"/pieces/{piece}/sheet").text.partition("<article")[2]
    reviewer.post("/units", data={"units": "us", "name": "Marta"})
    sheet = reviewer.get(f"/pieces/{piece}/sheet").text.partition("<article")[2]
    assert " in<" in sheet
    assert "68 °F" in sheet
    assert "°C" not in sheet
