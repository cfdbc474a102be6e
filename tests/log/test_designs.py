"""Designs that sites share, and who sees what of them. The first site has the molds `heron` and `finial`."""

import pytest

from inspector import log
from inspector.errors import InputError
from inspector.log import Design, SisterMold, check_log

MOLD = {"material": "", "release_agent": "", "views": ["side"]}


@pytest.fixture
def halls(stocked):
    """The log as each of three sites sees it, each with a mold `heron`; the first two share its design."""
    first = log.list_sites(stocked)[0]
    sites = [first, log.add_site(stocked, "hall 2"), log.add_site(stocked, "hall 3")]
    log.share_design(stocked, "large heron", sites[:2])
    halls = [stocked.at(site.id) for site in sites]
    for hall in halls[1:]:
        log.add_mold(hall, "heron", title="Heron", **MOLD)
    for hall in halls[:2]:
        log.set_design(hall, "heron", "large heron")
    for number, hall in enumerate(halls):
        log.keep_mold_estimates(hall, {"heron": f"of hall {number + 1}"})
    return halls


def test_what_sister_molds_tell_is_read_where_the_design_is_shared(halls, stocked):
    first, second, third = halls
    assert log.list_sister_molds(first) == (SisterMold("heron", "of hall 2", here=False, site=None),)
    assert log.list_sister_molds(second, mold="heron") == (SisterMold("heron", "of hall 1", here=False, site=None),)
    assert log.list_sister_molds(third) == ()
    assert log.list_sister_molds(stocked) == ()
    assert log.list_sister_molds(first, mold="finial") == ()
    # Another one here, and a site whose people may look there: those may be named.
    log.set_design(first, "finial", "large heron")
    assert log.list_sister_molds(first, mold="finial") == (
        SisterMold("finial", "of hall 1", here=True, site="first"),
        SisterMold("finial", "of hall 2", here=False, site=None),
    )
    sites = log.list_sites(stocked)
    log.add_grant(stocked, sites[0], sees=sites[1])
    assert [sister.site for sister in log.list_sister_molds(first, mold="heron")] == ["hall 2"]
    assert [sister.site for sister in log.list_sister_molds(second)] == [None]


def test_a_site_knows_the_designs_that_it_shares(halls, stocked):
    first, _, third = halls
    found = log.find_design_choices(first, "heron")
    assert (found.names, found.of_mold) == (("large heron",), "large heron")
    assert log.find_design_choices(first, "finial").of_mold is None
    assert log.find_design_choices(third, "heron").names == ()
    with pytest.raises(InputError, match=r"No design large heron is shared here\. Shared are: none\."):
        log.set_design(third, "heron", "large heron")
    assert log.list_molds_of_designs(first) == ("heron",)
    log.set_design(first, "heron", None)
    assert log.list_molds_of_designs(first) == ()
    assert log.list_designs(stocked) == (Design("large heron", ("first", "hall 2")),)


def test_what_is_shared_no_more_is_seen_no_more(halls, stocked):
    first, second, _ = halls
    sites = log.list_sites(stocked)
    assert log.share_design_no_more(stocked, "large heron", sites[1:2]) == Design("large heron", ("first",))
    assert log.list_sister_molds(first) == ()
    assert log.list_sister_molds(second) == ()
    assert log.find_design_choices(second, "heron").of_mold is None
    with pytest.raises(InputError, match="hall 2 does not share the design large heron"):
        log.share_design_no_more(stocked, "large heron", sites[1:2])
    with pytest.raises(InputError, match=r"There is no design owl\. There are: large heron\."):
        log.share_design_no_more(stocked, "owl", sites[:1])
    log.share_design(stocked, "large heron", sites[1:])
    assert [sister.said for sister in log.list_sister_molds(second)] == ["of hall 1"]


def test_estimates_are_of_their_site_and_out_of_the_history(halls, place, stocked):
    def entries():
        with stocked.reading() as session:
            return log.history.count_changes(session.connection())

    first, second, _ = halls
    before = entries()
    log.keep_mold_estimates(first, {"heron": "anew"})
    log.keep_mold_estimates(first, {"heron": "anew"})
    assert [sister.said for sister in log.list_sister_molds(second)] == ["anew"]
    assert [sister.said for sister in log.list_sister_molds(first)] == ["of hall 2"]
    assert entries() == before
    assert check_log(place).troubles == ()
