"""Where the log of an installation is kept, from its settings."""

from inspector.log import LogPlace
from inspector.settings import Settings

__all__ = ["place_of"]


def place_of(settings: Settings) -> LogPlace:
    """Where the settings have the log kept."""
    return LogPlace(settings.data_dir, settings.database, settings.photos)
