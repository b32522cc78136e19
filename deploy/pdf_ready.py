"""Exit with an error unless the PDF renderer finds its libraries and a font to draw with."""

import sys

import weasyprint

page = weasyprint.HTML(string="<p>Loombook</p>").write_pdf(uncompressed_pdf=True)
if page is None or b"/FontFile" not in page:
    sys.exit("The PDF renderer found no font: install one, such as DejaVu Sans.")
