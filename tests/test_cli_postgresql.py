"""What only a shared ledger says on the command line. The trade on one: `tests/test_trade_flow.py`."""

from dataclasses import replace


def test_a_wrong_password_on_the_command_line(command_line, server):
    with server.database() as url:
        wrong = replace(command_line, url=url.replace(server.password, "s3cret"))
        for line in (["check"], ["show", "1"], ["judge", "--family", "F", "--asked", "5"], ["report", "--all"],
                     ["intake", "Larkov T1", "--new-family", "--kind", "tape deck"]):  # fmt: skip
            said = wrong.refused(*line)
            assert "does not let this user in: the user or the password is wrong" in said
            assert len(said.splitlines()) == 1
            assert "s3cret" not in said
