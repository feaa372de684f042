"""``python -m padlab.cli``: the same as the ``padlab`` command, where scripts are not on the path."""

from padlab.cli.main import main

main()
