"""One run's evidence: a folder that is only ever added to, chained line by line, and checked by `verify`.

header.py    what the first line says about the run
shape.py     what header and manifest must be like
lines.py     how one line of record.jsonl and of frames.log is spelt
writer.py    events in, files out
growing.py   a file that is only added to
chain.py     reading lines back as long as number and hash are right
reader.py    files in, the same events out
manifest.py  manifest.json and manifest.sig; adding what is derived later
keys.py      the keys that sign
verifying.py intact, altered or incomplete
store.py     the folder that records are kept in
index.py     a quick look at all of them
indexing.py  one record as the index keeps it
firmware.py  what runs in the box, and records that contradict each other in it
"""

#: What a record's folder holds. These names stand here so that listing records loads nothing else.
RECORD_FILE = "record.jsonl"
FRAMES_FILE = "frames.log"
MANIFEST_FILE = "manifest.json"
SIGNATURE_FILE = "manifest.sig"
