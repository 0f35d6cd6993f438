"""One module per outside thing: clock, files, servers, database, mail."""
