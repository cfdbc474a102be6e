"""The catalogues of the pages' texts: found anew in code and templates, and written.

    python -m tests.catalogue

writes `inspector.pot` (all texts in English) and brings the catalogue of each other language up to it: new texts wait
there for a translation, those that are gone are taken out, nothing that is translated changes. Fuzzy guesses are left
out: a text is translated, or it is not.
"""

from io import BytesIO
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import DEFAULT_KEYWORDS, extract_from_dir
from babel.messages.pofile import read_po, write_po

from inspector.web.language import LANGUAGES, catalogue_path, source_path

ROOT = Path(__file__).parents[1]
WEB = ROOT / "inspector" / "web"
KEYWORDS = {**DEFAULT_KEYWORDS, "tr": None, "ntr": (1, 2), "mark": None, "mark_many": (1, 2)}
METHODS = [("**.py", "python"), ("templates/**.html", "jinja2.ext:babel_extract")]
OPTIONS = {"templates/**.html": {"extensions": "jinja2.ext.i18n,jinja2.ext.do", "trimmed": "true"}}
WIDTH = 120
_HEADER = "# All texts of the pages, in English. Written by: python -m tests.catalogue"
_LEFT_OUT = (
    '"POT-Creation-Date',
    '"PO-Revision-Date',
    '"Report-Msgid-Bugs-To',
    '"Language-Team',
    '"Generated-By',
    '"Last-Translator',
)


def extracted() -> Catalog:
    """All texts as they stand in the code and the templates now."""
    catalog = Catalog(
        project="Inspector", version="0", domain="inspector", charset="utf-8", header_comment=_HEADER, fuzzy=False
    )
    for name, line, message, comments, context in extract_from_dir(
        WEB, METHODS, OPTIONS, keywords=KEYWORDS, comment_tags=("Translators:",), strip_comment_tags=True
    ):
        place = (f"inspector/web/{name}", line)
        catalog.add(message, locations=[place], auto_comments=comments, context=context)
    return catalog


def written(catalog: Catalog) -> bytes:
    """A catalogue as a file; no date in it, so that the same texts give the same file."""
    out = BytesIO()
    write_po(out, catalog, width=WIDTH, omit_header=False, sort_by_file=False, include_lineno=False)
    lines = out.getvalue().decode().splitlines(keepends=True)
    left_out = (
        "POT-Creation-Date",
        "PO-Revision-Date",
        "Report-Msgid-Bugs-To",
        "Language-Team",
        "Generated-By",
        "Last-Translator",
    )
    return "".join(line for line in lines if not line.startswith(tuple(f'"{name}' for name in left_out))).encode()


def updated(language: str) -> Catalog:
    """The catalogue of a language with all texts of now."""
    path = catalogue_path(language)
    with path.open("rb") as file:
        catalog = read_po(file, locale=language, domain="inspector")
    catalog.update(extracted(), no_fuzzy_matching=True, update_header_comment=False)
    catalog.obsolete.clear()
    return catalog


def main() -> None:
    """Write all catalogues anew."""
    source_path().write_bytes(written(extracted()))
    for language in LANGUAGES:
        if language != "en":
            catalogue_path(language).write_bytes(written(updated(language)))


if __name__ == "__main__":
    main()
