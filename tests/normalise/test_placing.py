"""A site named by its code, or without its client, is the site of the register; what contradicts joins nothing."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.normalise.placing import placed, with_register

SITES = pd.DataFrame(
    {
        "client": ["Client Q", "Client Q", "Client R", "Client R"],
        "site": ["Corner cafe", "Harbour", "Harbour", "TF-1"],
        "site_code": ["NK-1", "NK-14", "RH-2", ""],
        "country": ["GB", "GB", "US", "DE"],
    }
)


def place(**facts: str) -> tuple[str, str]:
    row = {"client": "", "site": "", "site_code": "", "sampling_point": "", "label": "A"} | facts
    found = placed(pd.DataFrame([row], dtype="str"), SITES)
    return found["client"].item(), found["site"].item()


@pytest.mark.parametrize(
    "facts",
    [
        {"site_code": "nk-14"},
        {"site": "NK-14"},
        {"sampling_point": "NK-14, bar tap"},
        {"label": "NK-14-2025-03"},
        {"label": "NK-14/raw", "client": "client q"},
        {"site": "the one at the harbour", "site_code": "NK-14"},
    ],
)
def test_a_code_joins_wherever_it_stands(facts: dict[str, str]) -> None:
    assert place(**facts)[1] == "Harbour"


def test_the_client_comes_with_a_site_only_one_client_has() -> None:
    assert place(site="corner  Cafe") == ("Client Q", "Corner cafe")
    assert place(site="TF-1") == ("Client R", "TF-1")


HOUSES = pd.DataFrame(
    {"client": ["Corner cafe", "Mill Ltd", "Inn", "Inn"], "site": ["South", "Old mill", "Bar", "Kitchen"]}
)


@pytest.mark.parametrize(
    ("stated", "meant"),
    [
        (("corner cafe", ""), ("Corner cafe", "South")),  # a client's only site
        (("", "Corner cafe"), ("Corner cafe", "South")),  # under the heading of sites
        (("Old mill", ""), ("Mill Ltd", "Old mill")),  # a site under the heading of clients
        (("Inn", ""), ("Inn", "")),  # one of two
        (("Corner cafe", "Roof"), ("Corner cafe", "Roof")),
    ],
)
def test_a_house_with_one_site_is_that_site_under_either_heading(
    stated: tuple[str, str], meant: tuple[str, str]
) -> None:
    found = placed(pd.DataFrame([stated], columns=["client", "site"], dtype="str"), HOUSES)
    assert tuple(found[["client", "site"]].iloc[0]) == meant


def test_a_house_without_a_name_for_its_site_is_its_client() -> None:
    rows = pd.DataFrame({"client": ["", "Harbour Bar"], "site": ["harbour bar", ""]}, dtype="str")
    found = placed(rows, pd.DataFrame({"client": ["Harbour Bar"], "site": [""]}, dtype="str"))
    assert found[["client", "site"]].to_numpy().tolist() == [["Harbour Bar", ""]] * 2


def test_a_client_who_is_elsewhere_as_well_is_not_placed() -> None:
    rows = pd.DataFrame({"client": ["Corner cafe"] * 2, "site": ["", "Roof"]}, dtype="str")
    assert placed(rows, HOUSES)["site"].tolist() == ["", "Roof"]


@pytest.mark.parametrize(
    "facts",
    [
        {"site": "Harbour"},  # two clients have one
        {"site": "NK-14", "client": "Client R"},  # another client's code
        {"label": "NK-141"},  # part of another word
        {"label": "my NK-14"},  # not at its beginning
        {"label": "NK-14", "site": "Elsewhere"},  # a label does not overrule a site
    ],
)
def test_what_is_not_unique_or_contradicts_joins_nothing(facts: dict[str, str]) -> None:
    assert place(**facts) == (facts.get("client", ""), facts.get("site", ""))


def test_a_code_nobody_knows_is_a_site_of_its_own() -> None:
    assert place(site_code="NK-99") == ("", "NK-99")


def test_two_clients_with_one_site_name_are_told_apart_by_the_client() -> None:
    rows = pd.DataFrame({"client": ["Client Q", "Client R"], "site": "Harbour", "country": ""}, dtype="str")

    assert with_register(placed(rows, SITES), SITES, ["country"])["country"].tolist() == ["GB", "US"]


def test_a_register_without_clients_joins_on_the_site() -> None:
    sites = pd.DataFrame({"client": [""], "site": ["Kiosk"], "country": ["FR"]})
    rows = pd.DataFrame({"client": ["Any"], "site": ["kiosk"], "country": [""]})

    found = with_register(placed(rows, sites), sites, ["country"])

    assert found[["client", "site", "country"]].to_numpy().tolist() == [["Any", "Kiosk", "FR"]]


def test_what_a_row_wrote_is_kept_where_the_register_changed_it() -> None:
    rows = pd.DataFrame({"client": ["", "X"], "site": ["NK-14", "Y"]})

    found = placed(rows, SITES)

    assert found["written_site"].tolist() == ["NK-14", "Y"]
    assert found["site"].tolist() == ["Harbour", "Y"]
