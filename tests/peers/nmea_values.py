"""Reads NMEA 0183 sentences with pynmea2.

usage: nmea_values.py SENTENCES   -> one JSON list on stdout, an object for each line of the file
"""
import json, sys

import pynmea2


def number(value):
    return None if value in (None, "") else float(value)


out = []
for line in open(sys.argv[1]).read().splitlines():
    s = pynmea2.parse(line, check=True)
    row = {"type": s.sentence_type}
    if s.sentence_type in ("RMC", "GGA") and s.lat:
        row["lat"], row["lon"] = s.latitude, s.longitude
    if s.sentence_type == "RMC":
        row["valid"], row["knots"] = s.status == "A", number(s.spd_over_grnd)
        row["date"], row["time"] = str(s.datestamp), s.timestamp.strftime("%H:%M:%S.%f")
    elif s.sentence_type == "GGA":
        row["quality"], row["alt"] = s.gps_qual, number(s.altitude)
    elif s.sentence_type == "VTG":
        row["knots"], row["kmh"] = number(s.spd_over_grnd_kts), number(s.spd_over_grnd_kmph)
    out.append(row)
json.dump(out, sys.stdout)
