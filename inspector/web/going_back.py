"""Where a form leads back to, when the page that it stood on is named with it."""

__all__ = ["own_path"]


def own_path(back: str) -> str:
    r"""The path that was asked for if it lies on these pages, else the first page.

    Browsers take `\` for `/` and leave out tabs and line breaks, so that `/\t/evil.example` would lead elsewhere.
    """
    is_own = back.startswith("/") and not back.startswith("//") and "\\" not in back and back.isprintable()
    return back if is_own else "/"
