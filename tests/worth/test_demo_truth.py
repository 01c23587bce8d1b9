"""What is to be found in the demo ledger, as the page beside it says of its invented families."""

from reliability.worth.review import explain


# data/demo/README.md: Pellowick 22 has gears of a softer material from 1984 on; of those made before 3 % have
# failed by now, of those made since 89 %. Units built before are worth taking, later ones are not.
def test_the_softer_gears_are_found(demo_appraiser):
    early, late = (
        explain(demo_appraiser, family="Pellowick 22", built_from=year, built_to=year, asked=30.0)
        for year in (1981, 1986)
    )
    old, new = (why.components.set_index("component").loc["gear", "failed"] for why in (early, late))
    assert old < new - 0.3  # drawn towards each other and towards the gears of other decks
    assert early.verdict["success_chance"] > late.verdict["success_chance"] + 0.15
    assert late.verdict["verdict"] == "skip"


# data/demo/families.csv: direct drive and idler drive have no belt, and no job wrote of one.
def test_units_without_a_belt_are_not_charged_for_one(demo_appraiser):
    for family in ("Hulverby D2", "Crowmarl 60"):
        assert "belt" not in set(explain(demo_appraiser, family=family).components["component"])
    assert "belt" in set(explain(demo_appraiser, family="Hulverby B1").components["component"])
