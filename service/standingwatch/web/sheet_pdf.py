"""A page to PDF, by WeasyPrint in a process of its own: without a browser, and without network.

It takes the page's own template and print style, which the libraries that draw a PDF by themselves do not:
they would want a second layout (measured: WeasyPrint 1.0 s to start, 0.1 s a page and 57 MB in the child;
fpdf2 0.3 s and ReportLab 0.1 s, neither with style sheets). It needs Pango, a system library (Debian:
libpango-1.0-0, libpangoft2-1.0-0, libharfbuzz-subset0) and a font. That is native code: a process of its own
keeps what befalls it there from the service, and gives its memory back.
"""

from __future__ import annotations

import subprocess
import sys

#: How long making a PDF may take [s].
WITHIN_S = 60.0


class PdfError(Exception):
    """The PDF could not be made; the text says why and what to do."""


def draw_pdf(page: bytes) -> bytes:
    """A page of HTML, with its style in it, as PDF.

    Raises:
        PdfError: if it could not be made.
    """
    command = [sys.executable, "-m", "standingwatch.web.sheet_pdf"]
    try:
        done = subprocess.run(  # noqa: S603  our own module; what it is given goes in as data
            command, input=page, capture_output=True, timeout=WITHIN_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise PdfError(f"making the PDF did not end: {error}; print the page instead") from error
    if done.returncode != 0 or not done.stdout.startswith(b"%PDF-"):
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        raise PdfError(
            f"the PDF could not be made: {said[-1] if said else 'no reason was given'}; "
            "see that Pango is installed (Debian: libpangoft2-1.0-0), or print the page instead"
        )
    return done.stdout


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
