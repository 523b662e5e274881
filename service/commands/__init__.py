"""What an operator types: `neaptide …`. Each module is one subcommand; cli.py puts them together."""
