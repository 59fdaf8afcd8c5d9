"""pullwatch: a second pair of eyes on a turbocharged engine. This package imports nothing by itself."""
