"""Sites: halls or workshops that share a log, each with its own molds, mixes, pieces and people."""

from collections.abc import Sequence

from inspector import log
from inspector.errors import InputError
from inspector.log import Design, Site
from inspector.workshop.required import required

__all__ = ["Sites"]

_LONGEST_NAME = 60


class Sites:
    """The sites of an open log.

    Parameters
    ----------
    opened : Log
    """

    def __init__(self, opened: log.Log) -> None:
        self._log = opened

    def list(self) -> tuple[Site, ...]:
        """List all sites in the order in which they were added; there is always one."""
        return log.list_sites(self._log)

    def named(self, name: str) -> Site:
        """Find a site by its name.

        Raises
        ------
        InputError
            If there is none; the message names those that there are.
        """
        sites = self.list()
        for site in sites:
            if site.name == name.strip():
                return site
        raise InputError(f"There is no site {name.strip()}. This log keeps: {_names(sites)}.")

    def chosen(self, name: str | None) -> Site:
        """Find the site that somebody named, or the only one that there is.

        Raises
        ------
        InputError
            If there is none of that name, or there are several and none was named.
        """
        if name is not None:
            return self.named(name)
        sites = self.list()
        if len(sites) > 1:
            raise InputError(
                f"This log keeps several sites: {_names(sites)}. Name one with --site, or in the variable "
                "INSPECTOR_SITE."
            )
        return sites[0]

    def add(self, name: str) -> Site:
        """Add a site.

        Raises
        ------
        InputError
            If the name is taken or cannot be used.
        """
        return log.add_site(self._log, _checked(name, "name of a site"))

    def rename(self, name: str, new_name: str) -> Site:
        """Give a site another name; all that belongs to it stays there.

        Raises
        ------
        InputError
            If there is no such site, or the new name is taken or cannot be used.
        """
        return log.rename_site(self._log, self.named(name).id, _checked(new_name, "name of a site"))

    def let_see(self, people_of: str, *, sees: str) -> None:
        """Let the people of a site look at another one.

        Raises
        ------
        InputError
            If there is no such site.
        """
        site, seen = self.named(people_of), self.named(sees)
        if site.id == seen.id:
            raise InputError(
                f"The people of {site.name} may look there anyway. Name another site that they are to see."
            )
        log.add_grant(self._log, site, sees=seen)

    def let_see_no_more(self, people_of: str, *, sees: str) -> None:
        """Let the people of a site look at another one no more.

        Raises
        ------
        InputError
            If there is no such site, or they were not let look.
        """
        log.remove_grant(self._log, self.named(people_of), sees=self.named(sees))

    def designs(self) -> tuple[Design, ...]:
        """List the designs that sites share, or shared, by name."""
        return log.list_designs(self._log)

    def share_design(self, name: str, sites: Sequence[str]) -> Design:
        """Have sites share a design: what molds of it teach at one of them counts at the others.

        Raises
        ------
        InputError
            If there is no such site, or the name cannot be used, or nobody shares the design with the only one named.
        """
        name = _checked(name, "name of a design")
        named = self._named(sites)
        before = next((design.sites for design in self.designs() if design.name == name), ())
        if len({*before, *(site.name for site in named)}) < 2:
            raise InputError(f"A design is shared by two sites or more. Name another one to share {name} with.")
        return log.share_design(self._log, name, named)

    def share_design_no_more(self, name: str, sites: Sequence[str]) -> Design:
        """Have sites share a design no more: their molds of it are learnt by themselves again.

        Raises
        ------
        InputError
            If there is no such site or design, or a site does not share it.
        """
        return log.share_design_no_more(self._log, name.strip(), self._named(sites))

    def _named(self, names: Sequence[str]) -> tuple[Site, ...]:
        return tuple(self.named(name) for name in dict.fromkeys(names))

    def seen_from(self) -> dict[int, tuple[Site, ...]]:
        """Tell by site which others its people were let look at."""
        sites = {site.id: site for site in self.list()}
        seen: dict[int, tuple[Site, ...]] = dict.fromkeys(sites, ())
        for people_of, sees in log.list_grants(self._log):
            seen[people_of] = (*seen[people_of], sites[sees])
        return seen


def _checked(name: str, what: str) -> str:
    name = " ".join(required(name, what).split())
    if len(name) > _LONGEST_NAME or not name.isprintable():
        raise InputError(f"The {what} has at most {_LONGEST_NAME} signs, all of them visible. Choose another one.")
    return name


def _names(sites: tuple[Site, ...]) -> str:
    return ", ".join(site.name for site in sites)
