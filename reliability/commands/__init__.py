"""The commands of the command line, a few to a module; each is imported when it is called."""
