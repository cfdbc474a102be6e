"""The catalogues of the pages' texts: found anew in code and templates, and written.

    python -m tests.catalogue

writes `inspector.pot` (all texts in English) and brings the catalogue of each other language up to it: new texts wait
there for a translation, those that are gone are taken out, nothing that is translated changes. Fuzzy guesses are left
out: a text is translated, or it is not.
"""

import ast
import re
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import DEFAULT_KEYWORDS, extract_from_dir
from babel.messages.pofile import read_po, write_po

from inspector.web.language import BELOW, LANGUAGES, catalogue_path, source_path

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


# What lies below the pages and is read on them. Of each module: what it refuses things with, sentences that are
# constants, and all that is said in the functions named; of pictures also the heads of their tables.
BELOW_PAGES: dict[str, tuple[str, ...]] = {
    "curing/break_tests.py": (),
    "curing/logger_csv.py": ("_reading",),
    "curing/temperature.py": ("temperature_warnings",),
    "imaging/reading.py": (),
    "inspection/inspecting.py": ("_inspect_view", "_warnings"),
    "inspection/judging.py": ("why_unusable",),
    "inspection/model.py": (),
    "inspection/reference.py": (),
    "log/accounts.py": ("set_role", "remove_account"),
    "log/awaiting.py": (),
    "log/break_tests.py": (),
    "log/curing_tables.py": (),
    "log/designs.py": ("set_design",),
    "log/lessons.py": (),
    "log/listing.py": (),
    "log/molds.py": (),
    "log/photo_rows.py": (),
    "log/photos.py": (),
    "log/pour_corrections.py": (),
    "log/pours.py": (),
    "log/recording.py": ("_existing_piece",),
    "log/reviewing.py": (),
    "log/script_tokens.py": (),
    "log/temperatures.py": (),
    "workshop/access.py": ("_in_words",),
    "workshop/advice.py": ("window_advice", "_advice", "cause_sentence", "share_words", "_more"),
    "workshop/changes.py": ("_why",),
    "workshop/correcting_outlines.py": (),
    "workshop/curing.py": (),
    "workshop/designs.py": ("_sentence",),
    "workshop/early_pieces.py": ("doubt_age",),
    "workshop/guarded_reading.py": ("_ask",),
    "workshop/lessons.py": (),
    "workshop/loss_comparison.py": (
        "compare_pieces",
        "find_changes",
        "_agent_words",
        "_sentences",
        "_more_or_fewer",
        "_more_or_fewer_than",
        "_span",
    ),
    "workshop/loss_pictures.py": (
        "draw_losses",
        "break_map",
        "_test_rows",
        "_draw_loss",
        "_draw_strength",
        "_draw_time",
    ),
    "workshop/loss_results.py": ("cells",),
    "workshop/losses.py": ("compare_molds", "compare_change"),
    "workshop/mold_month.py": ("mold_month",),
    "workshop/mold_trends.py": ("mold_trends", "_pour_words"),
    "workshop/months.py": (),
    "workshop/naming_features.py": (),
    "workshop/outlines.py": (),
    "workshop/photo_queue.py": ("inspect_next", "_kept"),
    "workshop/planning.py": ("set_mold",),
    "workshop/required.py": (),
    "workshop/reviewing.py": (),
    "workshop/times.py": (),
    "workshop/workshop.py": ("_why_not_sure",),
}
# What only programs read: names of settings, patterns, formats.
_NO_SENTENCE = re.compile(
    r"offset points|.*\\b.*|from inspector\..*|the process was .*|no answer(: .*)?|.*s pixels|.*bytes where.*|photo %%s"
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
    for module, functions in BELOW_PAGES.items():
        path = ROOT / "inspector" / module
        for message in sentences(ast.parse(path.read_text(encoding="utf-8")), functions):
            catalog.add(message, locations=[(f"inspector/{module}", 1)], context=BELOW)
    return catalog


def sentences(tree: ast.Module, functions: tuple[str, ...]) -> Iterator[str]:
    """Sentences of a module below the pages, with `%(name)s` in the places of their values."""
    known = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
    if unknown := set(functions) - known:
        raise ValueError(f"There are no functions {unknown}: were they renamed?")
    for node in tree.body:
        match node:
            case ast.Assign(value=ast.Subscript(value=ast.Name(id="Literal"), slice=ast.Tuple() as choices)):
                yield from _told(choices, words=True)
            case ast.Assign(targets=[ast.Name(id=name)], value=ast.Constant() | ast.Tuple() as value):
                yield from _told(value, words=name.endswith("_COLUMNS"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("Error") and node.args:
            yield from _told(node.args[0])
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "required":
            yield from _told(node.args[1])
        if isinstance(node, ast.FunctionDef) and node.name in functions:
            body = node.body[1:] if ast.get_docstring(node) else node.body
            for statement in body:
                yield from _told(statement, words=node.name in ("draw_losses", "break_map"))


def _told(node: ast.AST, *, words: bool = False) -> Iterator[str]:
    """What is said within a statement; `words` takes tuples of words, heads of tables, as well."""
    match node:
        case ast.Compare() | ast.Subscript():
            return
        case ast.keyword(arg="than" | "what", value=ast.Constant(value=str(word))):
            yield word
        case ast.Constant(value=str(text)):
            yield from _sentence(text.replace("%", "%%"))
        case ast.JoinedStr():
            yield from _sentence(_form(node))
            for part in node.values:
                if isinstance(part, ast.FormattedValue):
                    yield from _told(part.value)
        case ast.Tuple(elts=elements) if words and all(isinstance(one, ast.Constant) for one in elements):
            for one in elements:
                text = ast.literal_eval(one)
                if isinstance(text, str) and text:
                    yield text.replace("%", "%%")
        case _:
            for child in ast.iter_child_nodes(node):
                yield from _told(child, words=words)


def _sentence(form: str) -> Iterator[str]:
    bare = form.strip()
    letters = re.sub(r"%\(\w+\)s|%%", "", bare)
    if " " in bare and re.search("[A-Za-z]", letters) and not _NO_SENTENCE.fullmatch(bare):
        yield bare


def _form(text: ast.JoinedStr) -> str:
    """A text with its values named after what they are."""
    taken: set[str] = set()
    parts = []
    for part in text.values:
        if isinstance(part, ast.FormattedValue):
            parts.append(f"%({_name(part.value, taken)})s")
        else:
            parts.append(ast.literal_eval(part).replace("%", "%%"))
    return "".join(parts)


def _name(node: ast.expr, taken: set[str]) -> str:
    """What a value is, by its name in the code, as in `%(earliest_h)s` for `window.earliest_h`."""
    name = first = _words_of(node).strip("_").lower()
    number = 2
    while name in taken:
        name, number = f"{first}_{number}", number + 1
    taken.add(name)
    return name


def _words_of(node: ast.expr) -> str:
    match node:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return name
        case ast.Call(func=ast.Attribute(attr="join"), args=[given, *_]) | ast.Call(func=ast.Name(), args=[given, *_]):
            return _words_of(given)
        case ast.Call(func=ast.Attribute(attr="isoformat" | "removesuffix" | "strip", value=of)):
            return _words_of(of)
        case ast.Call(args=[given, *_]) | ast.Call(func=given):
            return _words_of(given)
        case ast.BoolOp(values=[given, *_]) | ast.Subscript(value=given) | ast.UnaryOp(operand=given):
            return _words_of(given)
        case ast.BinOp(left=ast.Constant(), right=given) | ast.BinOp(left=given):
            return _words_of(given)
        case ast.IfExp(body=given) | ast.GeneratorExp(elt=given):
            return _words_of(given)
        case _:
            return "value"


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
