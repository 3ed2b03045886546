"""One module for each group of commands; ``app.command_line`` puts them together."""
