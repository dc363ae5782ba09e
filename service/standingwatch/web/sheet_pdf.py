"""A page to PDF, by WeasyPrint in a process of its own: without a browser, and without network.

It takes the page's own template and print style, which the libraries that draw a PDF by themselves do not:
they would want a second layout (measured: WeasyPrint 1.0 s to start, 0.1 s a page and 57 MB in the child;
fpdf2 0.3 s and ReportLab 0.1 s, neither with style sheets). It needs Pango, a system library (Debian:
libpango-1.0-0, libpangoft2-1.0-0, libharfbuzz-subset0) and a font. That is native code: a process of its own
keeps what befalls it there from the service, and gives its memory back.
"""

from __future__ import annotations

import sys

from standingwatch.child import ChildError, output_of

#: How long making a PDF may take [s].
WITHIN_S = 60.0


class PdfError(Exception):
    """The PDF could not be made; the text says why and what to do."""


def draw_pdf(page: bytes) -> bytes:
    """A page of HTML, with its style in it, as PDF.

    Raises:
        PdfError: if it could not be made.
    """
    mend = "see that Pango is installed (Debian: libpangoft2-1.0-0), or print the page instead"
    try:
        made = output_of("-m", "standingwatch.web.sheet_pdf", within_s=WITHIN_S, given=page)
    except ChildError as error:
        raise PdfError(f"the PDF could not be made: {error}; {mend}") from error
    if not made.startswith(b"%PDF-"):
        raise PdfError(f"the PDF could not be made: what came is none; {mend}")
    return made


def main() -> None:
    """Make a PDF of the page on standard input, to standard output."""
    import weasyprint

    page = sys.stdin.buffer.read().decode("utf-8")
    # Whatever a page needs is in it; another address is never asked, and a page that names one is a mistake.
    inside_only = weasyprint.URLFetcher(
        allowed_protocols=("data",), allow_redirects=False, fail_on_errors=True
    )
    document = weasyprint.HTML(string=page, url_fetcher=inside_only)
    sys.stdout.buffer.write(document.write_pdf())


if __name__ == "__main__":
    main()
