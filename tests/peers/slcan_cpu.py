"""Reads frames with python-can's slcan interface and says what CPU time that took.

usage: slcan_cpu.py DEVICE FRAMES BLOCK

Frames come in blocks of so many; each is answered with a byte.
"""
import json, resource, sys

import can

device, frames, block = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
bus = can.Bus(interface="slcan", channel=device, bitrate=1000000, sleep_after_open=0.0)


def cpu_s():
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime


before, seen = cpu_s(), 0
while seen < frames:
    if bus.recv(timeout=10) is None:
        break
    seen += 1
    if seen % block == 0:
        bus.serialPortOrig.write(b"\r")
print(json.dumps({"frames": seen, "cpu_s": cpu_s() - before}), flush=True)
bus.shutdown()
