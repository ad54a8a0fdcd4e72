"""`topbox-bench keys FOLDER`: a pair of keys to sign records with, and what its public half looks like."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_parser(subparsers: argparse._SubParsersAction) -> None:
    text = (
        "Make a pair of Ed25519 keys in a folder, or show the pair that is there. private.pem signs records "
        "(run --key) and stays with its owner; public.pem goes to whoever checks them (verify --key)."
    )
    keys = subparsers.add_parser("keys", help="make or show the keys that sign records", description=text)
    keys.add_argument("folder", type=Path, metavar="FOLDER", help="where the pair is, or is made")


def work(arguments: argparse.Namespace) -> int:
    from bench.record.keys import PRIVATE_FILE, PUBLIC_FILE, VARIABLE, fingerprint, load_private, load_public, make_pair

    private, public = arguments.folder / PRIVATE_FILE, arguments.folder / PUBLIC_FILE
    if not private.exists() and not public.exists():
        make_pair(arguments.folder)
        print(f"{private}: signs records (run --key, or {VARIABLE} in the environment); keep it to yourself")
        print(f"{public}: checks them (verify --key); hand it to your inspector in person")
    key = load_public(public)
    if private.exists() and load_private(private).public != key:
        from bench.errors import InputError

        raise InputError.at(public, f"does not belong to {private}", "bring the two together again")
    print(f"public key   {key.hex()}")
    print(f"fingerprint  {fingerprint(key)}")
    return 0
