"""Sentences from below the pages, known again and said in the language and units of who reads them."""

import re
from datetime import datetime

import pytest
from babel.messages.pofile import read_po

from inspector.errors import InputError
from inspector.risk import Interval
from inspector.web.language import BELOW, asked_language, catalogue_path, speaking
from inspector.web.quantities import measuring_in
from inspector.web.sentences import told
from inspector.workshop import Curing
from inspector.workshop.advice import share_words

SPANISH = asked_language("es-ES")
PLACE = re.compile(r"%\((\w+)\)s")


def said(sentence: str, asked: str = "es-ES", units: str = "metric") -> str:
    with speaking(asked_language(asked)), measuring_in(lambda: units):  # type: ignore[arg-type, return-value]
        return told(sentence)


def test_every_sentence_from_below_is_known_again() -> None:
    """Each form filled with numbers comes back as its translation with the same numbers in its places."""
    with catalogue_path("es").open("rb") as file:
        forms = [message for message in read_po(file, locale="es") if message.context == BELOW]
    assert len(forms) > 200
    strange = []
    for form in forms:
        names = dict.fromkeys(PLACE.findall(str(form.id)))
        values = {name: str(31 + number) for number, name in enumerate(names)}
        wanted = (str(form.string) % values).replace(" degC", " °C")
        if said(str(form.id) % values) != wanted:
            strange.append((str(form.id) % values, said(str(form.id) % values), wanted))
    assert strange == []


def test_numbers_of_rows_are_not_set_apart_as_quantities_are() -> None:
    assert said("There is no token 999999. Look at the list of tokens again.", "en-GB").startswith(
        "There is no token 999999."
    )


def test_times_stand_as_pages_write_them() -> None:
    pour, piece = (datetime(2026, 11, 23, hour).astimezone() for hour in (8, 7))
    sentence = (
        f"Demolding at {piece:%Y-%m-%d %H:%M %z} lies before pour 1 at {pour:%Y-%m-%d %H:%M %z}. Check the demolding "
        "time, the clock of the camera and the pour."
    )
    assert said(sentence).startswith(
        "El desmolde (lun, 23 nov 2026, 7:00) queda antes de la colada 1 (lun, 23 nov 2026, 8:00). "
    )
    assert said(sentence, "en-US").startswith(
        "Demolding at Mon, Nov 23, 2026, 7:00\N{NO-BREAK SPACE}AM lies before pour 1"
    )


@pytest.mark.parametrize(
    ("sentence", "spanish"),
    [
        (
            "leaf.jpg cannot be inspected: it is blurred: edges are 1.3 mm wide. Hold the phone still, "
            "tap on the piece, "
            "take it again.",
            "leaf.jpg no se puede inspeccionar: está borrosa: los bordes miden 1,3 mm de ancho. Sostén quieto el "
            "teléfono, toca la pieza en la pantalla y tómala de nuevo.",
        ),
        (
            "Open it from 36 h on, at 18.5 degC: 2.9 % of pieces (90 % interval 1.6 to 4.9 %) are lost then, surely "
            "enough under the target of 5.0 %. Waiting longer gains less than the mold's time is worth.",
            "Ábrelo desde 36 h, a 18,5 °C: entonces se pierde el 2,9 % de las piezas (intervalo del 90 "
            "%: 1,6 a 4,9 %), "
            "con bastante seguridad menos que la meta de 5,0 %. Esperar más gana menos de lo que vale "
            "el tiempo del molde.",
        ),
        (
            "Opened too early: of 20 pieces weaker than the window asks for, 8 were lost, mostly at the bill; of 130 "
            "stronger ones 1. Wait longer.",
            "Abiertas demasiado pronto: de 20 piezas más débiles de lo que pide la ventana, se "
            "perdieron 8, sobre todo en "
            "bill; de 130 más resistentes, 1. Espera más.",
        ),
        (
            "From 3 March 2026 on: 7.5 fewer of 100 pieces are lost than before (90 % interval 2.1 to 13 fewer). "
            "That is hardly chance.",
            "Desde el 3 de marzo de 2026: de 100 piezas se pierden 7,5 menos que antes (intervalo del "
            "90 %: de 2,1 a 13 "
            "menos). Eso difícilmente es azar.",
        ),
        (
            "12 more pieces known, 3 of them lost. Mix buff is poured instead of grey.",
            "12 piezas conocidas más, perdidas entre ellas: 3. Se cuela la mezcla buff en vez de grey.",
        ),
    ],
)
def test_what_is_made_of_parts_is_translated_in_all_its_parts(sentence: str, spanish: str) -> None:
    assert said(sentence) == spanish


@pytest.mark.parametrize(
    "text",
    [
        "Wing tip to tail",
        "sand to stone",
        "",
        " ",
        "2026-03",
        "leaf 1.5.jpg",
        "31 February 2026",
        "2026-99-99 10:00 +0000",
    ],
)
def test_what_people_wrote_stays_as_it_is(text: str) -> None:
    assert said(text) == text


def test_shares_as_the_workshop_says_them_are_known() -> None:
    sentence = share_words(Interval(mean=0.029, low=0.016, high=0.049))
    assert said(sentence) == "el 2,9 % de las piezas (intervalo del 90 %: 1,6 a 4,9 %)"


def test_a_refusal_is_translated_with_its_value() -> None:
    with pytest.raises(InputError) as refused:
        Curing.add_wet_cure(None, pour_id=1, until_h=-3.5)  # type: ignore[arg-type]
    assert said(str(refused.value)).startswith("Un curado húmedo hasta -3,5 h no puede ser.")


def test_quantities_in_sentences_follow_the_units_of_the_workshop() -> None:
    # 20 degC = 68 degF; 1.3 mm = 0.05 in; NIST SP 811, appendix B.8.
    assert said("Until then not before 36 h, at 20 degC.", "en-US", "us") == "Until then not before 36 h, at 68 °F."
    assert "edges are 0.05 in wide" in said(
        "it is blurred: edges are 1.3 mm wide. Hold the phone still, tap on the piece, take it again.", "en-US", "us"
    )
    assert said("age at 20 °C", "en-US", "us") == "age at 68 °F"
    assert said("age at 20 °C", "en-US") == "age at 20 °C"
