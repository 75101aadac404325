"""Validates a report against its committed JSON Schema.

usage: check_schema.py SCHEMA REPORT
"""
import json, sys

import jsonschema

jsonschema.validate(json.load(open(sys.argv[2])), json.load(open(sys.argv[1])))
