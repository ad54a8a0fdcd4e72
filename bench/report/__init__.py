"""Pages made from a record, and from nothing else.

document.py    the run's document as the record holds it (or rebuilt, when the run was never closed)
register.py    requirements as used, read for their words only
lines_drawn.py limits and step boundaries that belong into the plots
decimation.py  fewer points, no lost spike
plots.py       SVG figures
page.py        the HTML page (template.html, page.css)
junit.py       a plain summary for CI
"""
