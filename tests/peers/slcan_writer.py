"""Sends random frames with python-can's slcan interface and records what was sent.

usage: slcan_writer.py LOGGER RIG DATASET FRAMES_JSON

python-can opens one pseudo-terminal, the recorder another; whatever python-can transmits is pumped across, as an
adapter on a bus would hand it on. python-can knows nothing of our codec, so an error in it cannot cancel out.
"""
import json, os, random, select, signal, subprocess, sys, threading, time, tty

import can

logger, rig, dataset, out = sys.argv[1:5]
(peer_master, peer_slave), (rec_master, rec_slave) = os.openpty(), os.openpty()
for fd in (peer_master, peer_slave, rec_master, rec_slave):
    tty.setraw(fd)

recorder = subprocess.Popen([logger, "record", "--rig", rig, "--data", dataset, "--device", "bus=" + os.ttyname(rec_slave)],
                            stdout=subprocess.PIPE, stderr=subprocess.PIPE)
opening = b""
while not opening.endswith((b"L\r", b"O\r")):
    opening += os.read(rec_master, 64)

bus = can.Bus(interface="slcan", channel=os.ttyname(peer_slave), bitrate=500000, sleep_after_open=0.1)
time.sleep(0.2)
while select.select([peer_master], [], [], 0.1)[0]:
    os.read(peer_master, 4096)  # python-can's own opening commands are for an adapter, not for the bus

stop = threading.Event()


def pump():
    while not stop.is_set():
        if select.select([peer_master], [], [], 0.05)[0]:
            data = os.read(peer_master, 4096)
            while data:
                data = data[os.write(rec_master, data):]


thread = threading.Thread(target=pump)
thread.start()
random.seed(20261005)
sent = []
FD_LENGTHS = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]
for i in range(3000):
    extended, fd = random.random() < 0.4, random.random() < 0.2
    remote = not fd and random.random() < 0.1
    length = random.choice(FD_LENGTHS) if fd else random.randint(0, 8)
    data = b"" if remote else random.randbytes(length)
    identifier = random.randrange(1 << 29 if extended else 1 << 11)
    message = can.Message(arbitration_id=identifier, is_extended_id=extended, is_remote_frame=remote, is_fd=fd,
                          bitrate_switch=fd and random.random() < 0.5, dlc=length, data=None if remote else data)
    bus.send(message)
    sent.append({"id": identifier, "extended": extended, "remote": remote, "fd": fd, "data": data.hex()})
    if i % 20 == 0:
        time.sleep(0.005)
time.sleep(0.7)
stop.set()
thread.join()
recorder.send_signal(signal.SIGINT)
_, errors = recorder.communicate(timeout=30)
json.dump({"sent": sent, "code": recorder.returncode, "stderr": errors.decode(errors="replace")}, open(out, "w"))
bus.shutdown()
