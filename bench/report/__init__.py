"""Pages and files made from records, and from nothing else.

content.py     what a report says
rows.py        its tables
texts.py       values as people read them
document.py    the run's document as the record holds it (or rebuilt, when the run was never closed)
register.py    requirements as used, read for their words only
dossier.py     many records in one document for the inspection
lines_drawn.py limits and step boundaries that belong into the plots
decimation.py  fewer points, no lost spike
drawings.py    what the figures show
plots.py       SVG figures
focus.py       what the one figure of a step shows
page.py        layout by NAME.html (marks.html, page.css) or, for PDF, NAME.typ (marks.typ)
junit.py       a plain summary for CI
exports.py     samples for other programs
trend.py       a quantity over firmware versions
"""
