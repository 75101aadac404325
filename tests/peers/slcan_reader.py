"""Reads slcan bytes from a pseudo-terminal with python-can's slcan interface.

usage: slcan_reader.py BYTES COUNT   -> one JSON object on stdout: the opening commands and the frames read

The bytes of the file BYTES are written as an adapter would write them; reading ends after COUNT frames or a silence.
"""
import json, os, select, sys, threading, tty

import can

data, count = open(sys.argv[1], "rb").read(), int(sys.argv[2])
master, slave = os.openpty()
tty.setraw(master)
tty.setraw(slave)
bus = can.Bus(interface="slcan", channel=os.ttyname(slave), bitrate=250000, sleep_after_open=0.1)
opening = b""
while select.select([master], [], [], 0.2)[0]:
    opening += os.read(master, 4096)


def feed():
    rest = data
    while rest:
        rest = rest[os.write(master, rest[:1024]):]


thread = threading.Thread(target=feed, daemon=True)
thread.start()
frames = []
while len(frames) < count:
    message = bus.recv(timeout=2.0)
    if message is None:
        break
    frames.append({"id": message.arbitration_id, "extended": message.is_extended_id, "remote": message.is_remote_frame,
                   "fd": message.is_fd, "data": bytes(message.data).hex()})
extra = bus.recv(timeout=0.3)
json.dump({"opening": opening.decode(), "frames": frames, "extra": extra is not None}, sys.stdout)
bus.shutdown()
