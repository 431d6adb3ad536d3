"""The emulated instruments queried by PyVISA with pyvisa-py: arguments are the ports of chamber, supply and meter."""

import sys

import pyvisa

manager = pyvisa.ResourceManager("@py")


def connect(port):
    found = manager.open_resource(f"TCPIP0::127.0.0.1::{port}::SOCKET")
    found.read_termination = found.write_termination = "\n"
    found.timeout = 2000
    return found


chamber, supply, meter = map(connect, sys.argv[1:4])
assert "EC-0001" in chamber.query("*IDN?")
assert "EP-0001" in supply.query("*IDN?")
assert "EM-0001" in meter.query("*IDN?")
supply.write("*CLS")
supply.write("INST:NSEL 2")
supply.write("VOLT:PROT 1.5")
supply.write("VOLT 1.25")
assert supply.query_ascii_values("VOLT?") == [1.25]
supply.write("VOLT 2.0")
assert supply.query("SYST:ERR?").startswith("-221")
supply.write("NONSENSE")
assert supply.query("SYST:ERR?").startswith("-113")
assert supply.query("SYST:ERR?").startswith("0,")
assert int(supply.query("*ESR?")) == (1 << 5 | 1 << 4)
supply.write("OUTP ON")
assert supply.query("*OPC?") == "1"
assert abs(float(meter.query("MEAS:VOLT? (@2)")) - 1.25) < 0.01 or abs(float(meter.query("MEAS:VOLT? (@2)")) - 1.25) < 0.01
supply.write("OUTP OFF")
assert supply.query("OUTP?") == "0"
chamber.write("SOUR:TEMP:SPO -10")
assert float(chamber.query("SOUR:TEMP:SPO?")) == -10.0
assert -80.0 < float(chamber.query("MEAS:TEMP?")) < 200.0
chamber.write("SOUR:TEMP:SPO 23")
assert chamber.query("*IDN?;*OPC?").endswith(";1")
print("the emulated instruments answer an independent client")
