"""Samples in InfluxDB: written by its own client, read by InfluxQL over HTTP, which versions 1, 2 and 3 all serve."""
