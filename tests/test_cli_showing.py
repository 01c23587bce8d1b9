def test_show_says_only_what_is_known(bench):
    bench.ok("add", bench.sheet("""
        job = 1
        outcome = "repaired"
        hours = 1.5
        remarks = "first\\nsecond"
        worn = ["idler"]
        [[finding]]
        component = "switch"
        position = "left"
        found = "failed"
        arose = "during work"
        action = "replaced"
        part_cost = 3.2
    """))  # fmt: skip
    assert (
        bench.ok("show", "1")
        == f"""\
Job 1: Tarnwick T2, repaired
  built_from     1979
  built_to       1979
  taken_in       {bench.today}
  closed         {bench.today}
  bought_for     25.00 EUR
  hours          1.5 h
  remarks        first
                 second
Findings:
  idler: worn
  switch (left): failed, during work, action replaced, part_cost 3.20 EUR
Signs:
  rust: yes
Price to ask: benchodds show 1 --price
"""
    )


def test_blank_with_several_open_jobs(bench):
    bench.ok("intake", "Tarnwick T2")
    assert "if there was one; open: 1, 2" in bench.ok("blank", "Tarnwick T2")
    assert 'job = "2"' in bench.ok("blank", "Tarnwick T2", "--job", "2")
