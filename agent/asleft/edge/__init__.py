"""What an edge box runs: schedule, sampler, spool, uplink, service."""
