from google.protobuf.internal import containers as _containers
from google.protobuf import descriptor as _descriptor
from google.protobuf import message as _message
from typing import ClassVar as _ClassVar, Iterable as _Iterable, Mapping as _Mapping, Optional as _Optional, Union as _Union

DESCRIPTOR: _descriptor.FileDescriptor

class Payload(_message.Message):
    __slots__ = ["body", "metrics", "seq", "timestamp", "uuid"]
    class Metric(_message.Message):
        __slots__ = ["alias", "boolean_value", "bytes_value", "datatype", "double_value", "float_value", "int_value", "is_historical", "is_null", "is_transient", "long_value", "name", "properties", "string_value", "timestamp"]
        ALIAS_FIELD_NUMBER: _ClassVar[int]
        BOOLEAN_VALUE_FIELD_NUMBER: _ClassVar[int]
        BYTES_VALUE_FIELD_NUMBER: _ClassVar[int]
        DATATYPE_FIELD_NUMBER: _ClassVar[int]
        DOUBLE_VALUE_FIELD_NUMBER: _ClassVar[int]
        FLOAT_VALUE_FIELD_NUMBER: _ClassVar[int]
        INT_VALUE_FIELD_NUMBER: _ClassVar[int]
        IS_HISTORICAL_FIELD_NUMBER: _ClassVar[int]
        IS_NULL_FIELD_NUMBER: _ClassVar[int]
        IS_TRANSIENT_FIELD_NUMBER: _ClassVar[int]
        LONG_VALUE_FIELD_NUMBER: _ClassVar[int]
        NAME_FIELD_NUMBER: _ClassVar[int]
        PROPERTIES_FIELD_NUMBER: _ClassVar[int]
        STRING_VALUE_FIELD_NUMBER: _ClassVar[int]
        TIMESTAMP_FIELD_NUMBER: _ClassVar[int]
        alias: int
        boolean_value: bool
        bytes_value: bytes
        datatype: int
        double_value: float
        float_value: float
        int_value: int
        is_historical: bool
        is_null: bool
        is_transient: bool
        long_value: int
        name: str
        properties: Payload.PropertySet
        string_value: str
        timestamp: int
        def __init__(self, name: _Optional[str] = ..., alias: _Optional[int] = ..., timestamp: _Optional[int] = ..., datatype: _Optional[int] = ..., is_historical: bool = ..., is_transient: bool = ..., is_null: bool = ..., properties: _Optional[_Union[Payload.PropertySet, _Mapping]] = ..., int_value: _Optional[int] = ..., long_value: _Optional[int] = ..., float_value: _Optional[float] = ..., double_value: _Optional[float] = ..., boolean_value: bool = ..., string_value: _Optional[str] = ..., bytes_value: _Optional[bytes] = ...) -> None: ...
    class PropertySet(_message.Message):
        __slots__ = ["keys", "values"]
        KEYS_FIELD_NUMBER: _ClassVar[int]
        VALUES_FIELD_NUMBER: _ClassVar[int]
        keys: _containers.RepeatedScalarFieldContainer[str]
        values: _containers.RepeatedCompositeFieldContainer[Payload.PropertyValue]
        def __init__(self, keys: _Optional[_Iterable[str]] = ..., values: _Optional[_Iterable[_Union[Payload.PropertyValue, _Mapping]]] = ...) -> None: ...
    class PropertyValue(_message.Message):
        __slots__ = ["boolean_value", "double_value", "float_value", "int_value", "is_null", "long_value", "string_value", "type"]
        BOOLEAN_VALUE_FIELD_NUMBER: _ClassVar[int]
        DOUBLE_VALUE_FIELD_NUMBER: _ClassVar[int]
        FLOAT_VALUE_FIELD_NUMBER: _ClassVar[int]
        INT_VALUE_FIELD_NUMBER: _ClassVar[int]
        IS_NULL_FIELD_NUMBER: _ClassVar[int]
        LONG_VALUE_FIELD_NUMBER: _ClassVar[int]
        STRING_VALUE_FIELD_NUMBER: _ClassVar[int]
        TYPE_FIELD_NUMBER: _ClassVar[int]
        boolean_value: bool
        double_value: float
        float_value: float
        int_value: int
        is_null: bool
        long_value: int
        string_value: str
        type: int
        def __init__(self, type: _Optional[int] = ..., is_null: bool = ..., int_value: _Optional[int] = ..., long_value: _Optional[int] = ..., float_value: _Optional[float] = ..., double_value: _Optional[float] = ..., boolean_value: bool = ..., string_value: _Optional[str] = ...) -> None: ...
    BODY_FIELD_NUMBER: _ClassVar[int]
    METRICS_FIELD_NUMBER: _ClassVar[int]
    SEQ_FIELD_NUMBER: _ClassVar[int]
    TIMESTAMP_FIELD_NUMBER: _ClassVar[int]
    UUID_FIELD_NUMBER: _ClassVar[int]
    body: bytes
    metrics: _containers.RepeatedCompositeFieldContainer[Payload.Metric]
    seq: int
    timestamp: int
    uuid: str
    def __init__(self, timestamp: _Optional[int] = ..., metrics: _Optional[_Iterable[_Union[Payload.Metric, _Mapping]]] = ..., seq: _Optional[int] = ..., uuid: _Optional[str] = ..., body: _Optional[bytes] = ...) -> None: ...
