"""The driver's model and what is fitted with it: ramps, lags, currents, and where they stop short."""
