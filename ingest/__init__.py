"""All that comes in: the car sheet, logs, links, calibration. Imports nothing else of the project."""
