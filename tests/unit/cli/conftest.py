"""Commands in the tests' own process."""

import pytest

from padlab.cli.main import main


@pytest.fixture
def padlab(capsys):
    """A command in this process: exit code, stdout, stderr; no traceback may reach a user."""

    def call(*arguments):
        with pytest.raises(SystemExit) as left:
            main([str(a) for a in arguments])
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return left.value.code, out, err

    return call
