# A general SCPI client reads the simulated instruments: python3-pyvisa with its pure Python backend, as Debian packages them.
# Arguments: resource names of meter, scope, Hall source. Prints one JSON object.
import json
import sys

import pyvisa

manager = pyvisa.ResourceManager("@py")


def opened(name, end="\n"):
    instrument = manager.open_resource(name)
    instrument.read_termination = instrument.write_termination = end
    instrument.timeout = 10000
    return instrument


meter = opened(sys.argv[1])
scope = opened(sys.argv[2])
hall = opened(sys.argv[3])

scope.write("INP3 ON;:INP3:ATT 10;:SENS3:VOLT:RANG:PTP 40;OFFS 10")
scope.write("SENS:SWE:POIN 50000")
scope.write("INIT")
scope.query("*OPC?")
preamble = scope.query_ascii_values("TRAC:PRE? CH3")
codes8 = scope.query_binary_values("TRAC:DATA? CH3", datatype="b")
scope.write("FORM INT,16;:FORM:BORD NORM")
codes16 = scope.query_binary_values("TRAC:DATA? CH3", datatype="h", is_big_endian=True)

hall.write("OUTP ON;:SOUR:HALL:CODE 5")

print(json.dumps({
    "meter": meter.query("*IDN?"),
    "scope": scope.query("*IDN?"),
    "hall": hall.query("*IDN?"),
    "volts": float(meter.query("MEAS:VOLT:DC?")),
    "sensed": int(hall.query("SENS:HALL:CODE?")),
    "hall_error": hall.query("SYST:ERR?"),
    "scope_error": scope.query("SYST:ERR?"),
    "preamble": preamble,
    "points": [len(codes8), len(codes16)],
    "mean": sum(codes8) / len(codes8) * preamble[3] + preamble[4],
    "same": [c * 256 for c in codes8] == codes16,
}))
