"""Sources of readings: a transport brings bytes, a decoder turns them into readings.

Only the module of the kind that is used gets imported, so a serial logger never loads the radio.
"""

from __future__ import annotations

import importlib
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from logger.settings import nearest
from logger.sources.base import MODULES

if TYPE_CHECKING:
    from logger.config import Config
    from logger.sources.base import Source


def source_module(config: Config) -> Any:  # noqa: ANN401 - modules have no protocol of their own
    """Import the module of the configured kind.

    Raises
    ------
    logger.errors.ConfigError
        If the configuration has no source, or one of an unknown kind.
    """
    choices = ", ".join(MODULES)
    if config.source is None:
        raise config.document.error(
            f"there is no section [source], so nothing can be read; it needs kind, one of {choices}"
        )
    kind = config.source.get("kind")
    if kind is None:
        raise config.document.error(f"kind is missing; accepted: one of {choices}", "source")
    if kind not in MODULES:
        hint = nearest(str(kind), list(MODULES))
        raise config.document.error(
            f"got {kind!r}{hint}; accepted: one of {choices}", "source", "kind"
        )
    return importlib.import_module(MODULES[kind])


def each(source: Source) -> list[Source]:
    """Return the sources of which one is made: two where there is [[source]] twice."""
    return [part.source for part in getattr(source, "parts", ())] or [source]


def is_unsealed(source: Source) -> bool:
    """Tell whether a spoiled message of a source passes for a good one: it has no checksum."""
    found = [getattr(one, "description", None) for one in each(source)]
    return any(description is not None and description.unsealed for description in found)


def patient(config: Config, source: Source) -> Config:
    """Return the configuration in which silence that comes from how a source asks is no gap."""
    found = [getattr(one, "description", None) for one in each(source)]
    patience_s = max(0.0 if d is None else d.patience_s for d in found)
    if not patience_s:
        return config
    return replace(config, log=replace(config.log, patience_s=patience_s))


def open_source(config: Config) -> Source:
    """Build the source that the configuration names; nothing is opened yet.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    if config.sources:
        from logger.sources.several.together import build

        return build(config, open_source)
    source: Source = source_module(config).build(config)
    return source
