"""The estate folder: settings, store and ledger."""

from vinemap.estate.ledger import ImportReport
from vinemap.estate.settings import Settings, default_settings_text, load_settings, parse_settings
from vinemap.estate.store import EstateStore, create_estate, open_store

__all__ = [
    "EstateStore",
    "ImportReport",
    "Settings",
    "create_estate",
    "default_settings_text",
    "load_settings",
    "open_store",
    "parse_settings",
]
