#!/bin/sh
# Run once by InfluxDB's image, when its volume is still empty: the overviews have a bucket of their own, so that they
# can be kept longer than the readings.
set -eu
influx bucket create --name asleft-overview --org asleft --retention "${ASLEFT_KEEP_OVERVIEW:-0}"
