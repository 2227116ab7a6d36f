"""A Modbus slave that others wrote: python3-pymodbus on a serial line.

usage: slave.py DEVICE  ADDRESS=VALUE [ADDRESS=VALUE ...]
It prints "ready" once it serves, and takes further ADDRESS=VALUE lines on its standard input.
"""
import asyncio
import sys

from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.server import StartAsyncSerialServer
from pymodbus.transaction import ModbusRtuFramer


def pairs(words):
    return {int(a): int(v) & 0xFFFF for a, v in (word.split("=") for word in words)}


async def listen(block):
    loop = asyncio.get_running_loop()
    while line := await loop.run_in_executor(None, sys.stdin.readline):
        for address, value in pairs(line.split()).items():
            block.setValues(address, [value])


async def main():
    block = ModbusSparseDataBlock(pairs(sys.argv[2:]))
    context = ModbusServerContext(slaves={1: ModbusSlaveContext(ir=block, hr=block, zero_mode=True)}, single=False)
    print("ready", flush=True)
    listening = asyncio.create_task(listen(block))
    await StartAsyncSerialServer(context=context, framer=ModbusRtuFramer, port=sys.argv[1], baudrate=9600, timeout=0.05)
    await listening


asyncio.run(main())
