"""What a recording says once a run is over: pure functions over columns, never over a session.

Every answer takes a `table.Table` and returns plain data with its own `lines()`; who reads files, decodes and prints
stands above (`pullwatch.reviewing`). Nothing here knows a clock, a port, a file or a database.
"""
