"""The source of each kind of settings."""

from pipeline.sources import files
from pipeline.sources.config import FilesConfig, LakeConfig, ModbusConfig, OpcuaConfig, SourceConfig, SqlConfig
from pipeline.sources.modbus import ModbusSource
from pipeline.sources.opcua import OpcuaSource
from pipeline.sources.source import Source
from pipeline.sources.sql import SqlSource


def source_of(config: SourceConfig) -> Source:
    """The source that the settings describe."""
    if isinstance(config, LakeConfig):
        return files.lake(config)
    if isinstance(config, FilesConfig):
        return files.drops(config)
    if isinstance(config, SqlConfig):
        return SqlSource(config)
    if isinstance(config, OpcuaConfig):
        return OpcuaSource(config)
    assert isinstance(config, ModbusConfig)
    return ModbusSource(config)
