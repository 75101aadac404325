"""Decodes CAN frames by a CAN database with cantools.

usage: dbc_values.py DATABASE FRAMES_JSON   -> one JSON list on stdout: for each frame its signals and their values

FRAMES_JSON is a list of {"id", "extended", "data"}. Multiplexors that select nothing give "null".
"""
import json, math, sys

import cantools

database = cantools.database.load_file(sys.argv[1])
messages = {(m.frame_id, m.is_extended_frame): m for m in database.messages}
out = []
for frame in json.load(open(sys.argv[2])):
    message = messages[frame["id"], frame["extended"]]
    try:
        values = message.decode(bytes.fromhex(frame["data"]), decode_choices=False, scaling=True)
    except cantools.database.DecodeError:
        values = None
    if values is not None:  # JSON has no NaN, which random bits of a floating-point signal may be
        values = {name: value if math.isfinite(value) else None for name, value in values.items()}
    out.append({"message": message.name, "values": values})
json.dump(out, sys.stdout)
