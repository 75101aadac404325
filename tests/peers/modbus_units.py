"""Modbus RTU units that pymodbus plays, on a serial device or behind a TCP port.

usage: modbus_units.py serial DEVICE | modbus_units.py tcp PORT

Prints one line of JSON with what is true, and then answers until it is killed. Values are encoded by pymodbus or by
Python's struct; nothing is shared with the logger. Unit 1 has input and holding registers, unit 2 holding registers
only; every other unit is silent, and a register that is not in the list is refused.
"""
import asyncio
import json
import logging
import struct
import sys

from pymodbus import FramerType
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

wire, where = sys.argv[1:3]
logging.disable(logging.CRITICAL)  # it reports units that are not there at length


def low_first(code, value):
    """The two registers of a 32-bit value, less significant first."""
    high, low = struct.unpack(">HH", struct.pack(code, value))
    return [low, high]


single = struct.unpack(">f", struct.pack(">f", 3.14159274))[0]
truth = {
    "f32": -230.5, "u32": 4123456789, "i32": -123456789, "u16": 65000, "i16": -12345,
    "f32_low": single, "u32_low": 305419896, "i32_low": -2, "holding_u16": 4711, "other_u32": 70000,
}
inputs = [
    SimData(0, values=truth["f32"], datatype=DataType.FLOAT32),
    SimData(2, values=truth["u32"], datatype=DataType.UINT32),
    SimData(4, values=truth["i32"], datatype=DataType.INT32),
    SimData(6, values=truth["u16"], datatype=DataType.UINT16),
    SimData(7, values=truth["i16"], datatype=DataType.INT16),
    SimData(8, values=low_first(">f", truth["f32_low"]), datatype=DataType.REGISTERS),
    SimData(10, values=low_first(">I", truth["u32_low"]), datatype=DataType.REGISTERS),
    SimData(12, values=low_first(">i", truth["i32_low"]), datatype=DataType.REGISTERS),
    SimData(14, values=[0x7FC0, 0], datatype=DataType.REGISTERS),  # no number
]
holdings = [SimData(0, values=truth["holding_u16"], datatype=DataType.UINT16)]
others = [SimData(0x1234, values=truth["other_u32"], datatype=DataType.UINT32)]
bits = [SimData(0, values=False, datatype=DataType.BITS)]
spare = [SimData(0, values=0, datatype=DataType.UINT16)]
units = [SimDevice(1, simdata=(bits, bits, holdings, inputs)), SimDevice(2, simdata=(bits, bits, others, spare))]


def only_units_that_are_there(sending, data):
    """pymodbus refuses for a unit that is not there; on a line with real units there is silence."""
    return data if not sending or data[0] in (1, 2) else b""


async def serve():
    print(json.dumps(truth), flush=True)
    if wire == "serial":
        await StartAsyncSerialServer(units, framer=FramerType.RTU, port=where, baudrate=115200, parity="N",
                                     trace_packet=only_units_that_are_there)
    else:
        await StartAsyncTcpServer(units, framer=FramerType.RTU, address=("127.0.0.1", int(where)),
                                  trace_packet=only_units_that_are_there)


asyncio.run(serve())
