"""Calculations of the trade: plain floats or arrays in named units; no clock, file, network or database."""
