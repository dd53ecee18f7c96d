"""Log files in (`read.read_log`): how a file is written is found out, told, and read in one compiled pass."""
