"""`inspector mat`: the printable photo mat."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from inspector.errors import InspectorError
from inspector.imaging.mat_sheet import mat_pdf

__all__ = ["mat"]


def mat(
    output: Annotated[Path, typer.Option("--output", metavar="FILE.pdf", help="Where to write the PDF.")],
    paper: Annotated[
        Literal["A4", "A3"], typer.Option("--paper", help="A4 for pieces up to about 200 mm, else A3.")
    ] = "A4",
    plain: Annotated[bool, typer.Option("--plain", help="Leave the inside white, without the speckle.")] = False,
) -> None:
    """Write the photo mat that gives photos their scale, as a PDF to be printed at true size.

    Example: inspector mat --paper A4 --output mat.pdf
    """
    try:
        output.write_bytes(mat_pdf(paper, speckle=not plain))
    except OSError as error:
        raise InspectorError(f"The mat {output} could not be written: {error.strerror or error}.") from error
    typer.echo(f"Wrote {output}. Print it at 100 %, without fitting to the page; its ruler must measure 100 mm.")
