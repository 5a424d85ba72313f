"""A soft starter played by pymodbus (a Modbus library of other people's), for the tests.

Reads one JSON object from standard input: the unit and, for each role, table, address and first value, and the path of
a serial port where it is to answer by RTU. Prints the TCP port it listens on (0 on a serial port), then one JSON line
for each write that arrives. The run and cut coils switch the running and at-speed
inputs, nothing else is simulated. Ends when standard input closes.
"""

import asyncio
import json
import sys

from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from pymodbus.simulator.simutils import SimUtils

TABLES = ["coil", "discrete-input", "holding", "input"]
WRITES_OF = {5: "coil", 15: "coil", 6: "holding", 16: "holding"}


def say(line):
    print(json.dumps(line), flush=True)


def block(fields, table):
    bits = table in ("coil", "discrete-input")
    entries = {f["address"]: f["value"] for f in fields.values() if f["table"] == table}
    if bits:
        # Bits live sixteen to a register; whole registers are declared.
        count = 16 * (max(entries, default=0) // 16 + 1)
        return [SimData(0, values=[bool(entries.get(at, 0)) for at in range(count)], datatype=DataType.BITS)]
    if not entries:
        return [SimData(0, values=[0], datatype=DataType.REGISTERS)]
    return [SimData(at, values=[value], datatype=DataType.REGISTERS) for at, value in sorted(entries.items())]


async def main():
    start = json.loads(sys.stdin.readline())
    fields, unit = start["fields"], start["unit"]
    at = {(f["table"], f["address"]): role for role, f in fields.items()}
    outputs = [fields[role]["address"] for role in ("running", "at_speed")]
    state = {"on": False}

    async def action(function, first, address, count, registers, values):
        if values is not None and function in WRITES_OF:
            for place, value in enumerate(values):
                role = at.get((WRITES_OF[function], address + place))
                say({"role": role, "value": int(value)})
                if role == "run":
                    state["on"] = bool(value)
                if role == "cut" and value:
                    state["on"] = False
        if function == 2:
            bits = SimUtils.registersToBits(registers)
            for output in outputs:
                bits[output - 16 * first] = state["on"]
            registers[:] = SimUtils.bitsToRegisters(bits)

    device = SimDevice(unit, simdata=tuple(block(fields, table) for table in TABLES), action=action)
    if "serial" in start:
        server = ModbusSerialServer(device, port=start["serial"], baudrate=115200, parity="N")
        await server.serve_forever(background=True)
        say({"port": 0})
    else:
        server = ModbusTcpServer(device, address=("127.0.0.1", 0))
        await server.serve_forever(background=True)
        say({"port": server.transport.sockets[0].getsockname()[1]})
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    await server.shutdown()


asyncio.run(main())
