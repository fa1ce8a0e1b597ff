"""A simulated oven with its controller, to plug the logger into.

It shares no code with the logger: the two meet only on the wire, so a mistake in one cannot hide in the other.

Pure, one thing each:
    thermocouple   voltages of couples               oven           the network of heat
    canister       what stands in the oven           program        ramps and soaks
    controller     PID, alarms, display              faults         what can go wrong, as a schedule
    heat           all of these together             scenario       built-in heats of an invented shop
    registers      the controller's register table   line_device    a device that talks in lines
    wire           frames, and how faults spoil them
At the edge:
    bus            stations on a port; `with Bus([Station(1, heat)], speed=240) as bus: bus.port`
    connection, modbus_server, port, tap, truth_file

From a shell: `python -m sim --speed 240 --truth truth.csv` prints `ready PORT`; `--help` tells the rest.
"""
