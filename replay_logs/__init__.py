"""Short logs of an invented car at an invented circuit, their car sheet, and the program that simulates them."""
