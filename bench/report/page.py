"""Layout of what `content.py` or `dossier.py` says: one self-contained HTML page, or a tagged PDF; the same bytes each
time. All texts enter as data, never as markup."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from bench.errors import BenchError

_HERE = Path(__file__).parent
#: Archivable (ISO 19005-2, level A) and accessible (ISO 14289-1).
_STANDARDS = ["a-2a", "ua-1"]


def html_page(name: str, content: Mapping[str, Any]) -> bytes:
    """`content` laid out by NAME.html."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    css = Markup((_HERE / "page.css").read_text(encoding="utf-8"))
    drawn = {
        key: [dict(plot) | {"svg": Markup(plot["svg"])} for plot in content[key]]
        for key in ("plots", "picture")
        if key in content
    }
    text = environment.get_template(f"{name}.html").render(content | {"css": css} | drawn)
    return text.encode("utf-8", "replace")  # half a surrogate pair in a device's text


def pdf_pages(name: str, content: Mapping[str, Any]) -> bytes:
    """`content` laid out by NAME.typ, with fonts that come along. Raises BenchError without the extra `pdf`."""
    from datetime import UTC, datetime

    import matplotlib
    from matplotlib.ft2font import FT2Font

    try:
        import typst
    except ImportError as error:
        raise BenchError("PDF needs the extra 'pdf': pip install 'topbox-bench[pdf]'") from error
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    letters = set(FT2Font(fonts / "DejaVuSans.ttf").get_charmap())
    return typst.compile(
        _HERE / f"{name}.typ",
        root=_HERE,
        sys_inputs={"content": json.dumps(_printable(content, letters))},
        font_paths=[fonts],
        ignore_system_fonts=True,
        pdf_standards=_STANDARDS,
        timestamp=datetime.fromtimestamp(0, UTC),
    )


def _printable(data: Any, letters: set[int]) -> Any:
    """Letters that the font does not have (the standards want every one to be seen) become a mark that says so."""
    if isinstance(data, str):
        unknown = {ord(letter) for letter in set(data)} - letters - {0x09, 0x0A}
        return data.translate(dict.fromkeys(unknown, "\N{REPLACEMENT CHARACTER}")) if unknown else data
    if isinstance(data, Mapping):
        return {key: _printable(item, letters) for key, item in data.items()}
    if isinstance(data, list | tuple):
        return [_printable(item, letters) for item in data]
    return data
