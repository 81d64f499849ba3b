"""Job files: everything that one measurement needs, in one TOML file, from reading it to its result folder."""
