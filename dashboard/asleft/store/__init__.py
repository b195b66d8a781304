"""Where samples and records are kept: Protocols, and the adapters behind them."""
