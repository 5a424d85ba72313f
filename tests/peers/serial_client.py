"""Reads registers over a serial line by pymodbus (a Modbus library of other people's), for the tests.

serial_client.py PATH UNIT TABLE ADDRESS COUNT; the values on standard output. Without parity: the C library refuses one on a
pseudo-terminal, which has none.
"""

import sys

from pymodbus.client import ModbusSerialClient

path, unit, table, address, count = sys.argv[1:]
client = ModbusSerialClient(path, baudrate=38400, parity="N", timeout=5)
if not client.connect():
    sys.exit(f"{path}: cannot be opened")
read = {
    "coil": client.read_coils,
    "discrete-input": client.read_discrete_inputs,
    "holding": client.read_holding_registers,
    "input": client.read_input_registers,
}[table]
answer = read(int(address), count=int(count), device_id=int(unit))
if answer.isError():
    sys.exit(str(answer))
values = answer.registers if table in ("holding", "input") else answer.bits[: int(count)]
print(*(int(value) for value in values))
client.close()
