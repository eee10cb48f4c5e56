"""What belongs to another kind of source is refused by name."""

import pytest

from logger.errors import ConfigError
from tests.support.rigs.devices.sources import source_from


@pytest.mark.parametrize("table", ['[ble]\ncompany = "FFFF"', '[hwmon]\nname = "shuntmon"'])
def test_tables_of_other_links_are_refused_on_a_serial_line(tmp_path, table):
    description = '[decoder]\nkind = "keyvalue"\n[fields]\nvoltage_v = "U"\ncurrent_a = "I"\n'
    (tmp_path / "device.toml").write_text(description + table + "\n")
    with pytest.raises(ConfigError, match="has no meaning on a serial line; leave it out"):
        source_from(tmp_path, '[source]\nkind = "serial"\nport = "p"\ndescription = "device.toml"')
