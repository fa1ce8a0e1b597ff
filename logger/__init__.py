"""soaktally: reads an oven's thermocouples and says what the heat did to the steel inside.

Data flows one way through these modules, and imports only ever point back along it:

    controllers -> reading -> record -> history -> estimate -> target -> alert -> views

Everything from ``units`` up to ``alert`` is pure: values in, values out, no clock, no files, no ports.
The daemon alone owns clocks and threads.
"""
