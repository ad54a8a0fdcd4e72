"""`topbox-bench compare A B`: is the new firmware the same as the old one, as far as the records show?"""

from __future__ import annotations

import argparse
from pathlib import Path


def add_parser(subparsers) -> None:
    compare = subparsers.add_parser(
        "compare",
        help="compare two records, or the records of two firmwares",
        description="Compare records A with records B: what was changed in limits, sequences and bench, then verdicts, "
        "then every measured quantity with a test of equivalence within margins fixed beforehand. "
        "Exit status: 0 equivalent, 1 worse, 3 undecided.",
    )
    compare.add_argument(
        "places", nargs="+", type=Path, metavar="PATH", help="A and B, each a record or a folder of records"
    )
    compare.add_argument("--baseline", metavar="NAME", help="A is the baseline kept under this name; name B only")
    compare.add_argument("--keep-baseline", metavar="NAME", help="keep the one side named as this baseline, and stop")
    compare.add_argument(
        "--firmware", action="append", default=[], metavar="TEXT",
        help="of each folder only this firmware; twice, with one folder, for A and for B",
    )  # fmt: skip
    compare.add_argument("--records", type=Path, default=Path("records"), metavar="DIR", help="where baselines are")
    compare.add_argument("--margins", type=Path, metavar="FILE", help="what counts as the same (default: as shipped)")
    compare.add_argument("-o", "--output", type=Path, metavar="FILE", help="also write an HTML report")
    compare.add_argument("--json", action="store_true", help="one machine-readable document on standard output")


def work(arguments: argparse.Namespace) -> int:
    import json

    from bench.comparing.comparison import EXIT_STATUS, compare
    from bench.comparing.side import load_side
    from bench.errors import InputError
    from bench.language.margins import load_margins
    from bench.record.baseline import baseline, keep_baseline
    from bench.record.manifest import write_whole

    places, firmwares = arguments.places, arguments.firmware
    margins = load_margins(arguments.margins)
    if arguments.keep_baseline is not None:
        if len(places) != 1 or len(firmwares) > 1 or arguments.baseline is not None:
            raise InputError.at("--keep-baseline", "more than one side is named", "name the one that becomes it")
        side = load_side(str(places[0]), places, *firmwares)
        path = keep_baseline(arguments.records, arguments.keep_baseline, (kept.folder for kept in side.records))
        print(f"{path}: {len(side.records)} records of firmware {side.firmware or 'not stated'}")
        return 0
    if arguments.baseline is not None:
        kept = baseline(arguments.records, arguments.baseline)
        if len(places) != 1 or len(firmwares) > 1:
            raise InputError.at("--baseline", "it is side A already", "name one folder and one firmware, for B")
        a = load_side(f"baseline {arguments.baseline}", kept)
        b = load_side(str(places[0]), places, *firmwares)
    else:
        if len(places) == 1 and len(firmwares) == 2:
            places = [*places, *places]
        if len(places) != 2 or len(firmwares) not in (0, 2):
            wrong = f"{len(places)} places and {len(firmwares)} firmwares are not two sides"
            raise InputError.at("compare", wrong, "name A and B, or one folder and --firmware twice, or --baseline")
        names = [f"{place} {wanted}".rstrip() for place, wanted in zip(places, firmwares or ("", ""), strict=True)]
        a, b = (
            load_side(name, [place], wanted)
            for name, place, wanted in zip(names, places, firmwares or (None, None), strict=True)
        )
    document = compare(a, b, margins)
    if arguments.output is not None:
        from bench.report.comparison import comparison_page

        try:
            write_whole(arguments.output, comparison_page(document, a, b))
        except OSError as error:
            raise InputError.at(arguments.output, f"cannot be written: {error.strerror}") from error
    if arguments.json:
        print(json.dumps(document, indent=1))
    else:
        from bench.comparing.comparison_table import print_comparison

        print_comparison(document)
    return EXIT_STATUS[document["outcome"]]
