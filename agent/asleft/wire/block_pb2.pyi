from google.protobuf.internal import containers as _containers
from google.protobuf.internal import enum_type_wrapper as _enum_type_wrapper
from google.protobuf import descriptor as _descriptor
from google.protobuf import message as _message
from typing import ClassVar as _ClassVar, Iterable as _Iterable, Mapping as _Mapping, Optional as _Optional, Union as _Union

CLOCK_STATE_NOT_SYNCHRONISED: ClockState
CLOCK_STATE_SYNCHRONISED: ClockState
CLOCK_STATE_UNKNOWN: ClockState
DESCRIPTOR: _descriptor.FileDescriptor
REASON_MISSED_TICK: Reason
REASON_NOT_CONNECTED: Reason
REASON_NOT_FINITE: Reason
REASON_NO_ANSWER: Reason
REASON_OUT_OF_RANGE: Reason
REASON_REFUSED: Reason
REASON_TORN: Reason
REASON_UNKNOWN: Reason

class Ack(_message.Message):
    __slots__ = ["agent", "at_ns", "fresh", "mark", "stream"]
    AGENT_FIELD_NUMBER: _ClassVar[int]
    AT_NS_FIELD_NUMBER: _ClassVar[int]
    FRESH_FIELD_NUMBER: _ClassVar[int]
    MARK_FIELD_NUMBER: _ClassVar[int]
    STREAM_FIELD_NUMBER: _ClassVar[int]
    agent: str
    at_ns: int
    fresh: bool
    mark: int
    stream: str
    def __init__(self, agent: _Optional[str] = ..., stream: _Optional[str] = ..., mark: _Optional[int] = ..., fresh: bool = ..., at_ns: _Optional[int] = ...) -> None: ...

class AgentState(_message.Message):
    __slots__ = ["acknowledged", "agent", "at_ns", "details", "highest_seq", "online", "stream", "version"]
    class DetailsEntry(_message.Message):
        __slots__ = ["key", "value"]
        KEY_FIELD_NUMBER: _ClassVar[int]
        VALUE_FIELD_NUMBER: _ClassVar[int]
        key: str
        value: str
        def __init__(self, key: _Optional[str] = ..., value: _Optional[str] = ...) -> None: ...
    ACKNOWLEDGED_FIELD_NUMBER: _ClassVar[int]
    AGENT_FIELD_NUMBER: _ClassVar[int]
    AT_NS_FIELD_NUMBER: _ClassVar[int]
    DETAILS_FIELD_NUMBER: _ClassVar[int]
    HIGHEST_SEQ_FIELD_NUMBER: _ClassVar[int]
    ONLINE_FIELD_NUMBER: _ClassVar[int]
    STREAM_FIELD_NUMBER: _ClassVar[int]
    VERSION_FIELD_NUMBER: _ClassVar[int]
    acknowledged: int
    agent: str
    at_ns: int
    details: _containers.ScalarMap[str, str]
    highest_seq: int
    online: bool
    stream: str
    version: str
    def __init__(self, agent: _Optional[str] = ..., online: bool = ..., stream: _Optional[str] = ..., highest_seq: _Optional[int] = ..., acknowledged: _Optional[int] = ..., at_ns: _Optional[int] = ..., version: _Optional[str] = ..., details: _Optional[_Mapping[str, str]] = ...) -> None: ...

class Block(_message.Message):
    __slots__ = ["agent", "boot_id", "bursts", "channels", "clock", "monotonic_ns", "offsets_us", "regular", "seq", "stream", "valve", "wall_ns"]
    AGENT_FIELD_NUMBER: _ClassVar[int]
    BOOT_ID_FIELD_NUMBER: _ClassVar[int]
    BURSTS_FIELD_NUMBER: _ClassVar[int]
    CHANNELS_FIELD_NUMBER: _ClassVar[int]
    CLOCK_FIELD_NUMBER: _ClassVar[int]
    MONOTONIC_NS_FIELD_NUMBER: _ClassVar[int]
    OFFSETS_US_FIELD_NUMBER: _ClassVar[int]
    REGULAR_FIELD_NUMBER: _ClassVar[int]
    SEQ_FIELD_NUMBER: _ClassVar[int]
    STREAM_FIELD_NUMBER: _ClassVar[int]
    VALVE_FIELD_NUMBER: _ClassVar[int]
    WALL_NS_FIELD_NUMBER: _ClassVar[int]
    agent: str
    boot_id: str
    bursts: _containers.RepeatedCompositeFieldContainer[Burst]
    channels: _containers.RepeatedCompositeFieldContainer[Channel]
    clock: ClockState
    monotonic_ns: int
    offsets_us: bytes
    regular: RegularTimes
    seq: int
    stream: str
    valve: str
    wall_ns: int
    def __init__(self, agent: _Optional[str] = ..., valve: _Optional[str] = ..., stream: _Optional[str] = ..., seq: _Optional[int] = ..., boot_id: _Optional[str] = ..., wall_ns: _Optional[int] = ..., monotonic_ns: _Optional[int] = ..., clock: _Optional[_Union[ClockState, str]] = ..., offsets_us: _Optional[bytes] = ..., regular: _Optional[_Union[RegularTimes, _Mapping]] = ..., channels: _Optional[_Iterable[_Union[Channel, _Mapping]]] = ..., bursts: _Optional[_Iterable[_Union[Burst, _Mapping]]] = ...) -> None: ...

class Burst(_message.Message):
    __slots__ = ["channel", "float32", "rate_hz", "sequence", "start_ns", "unit"]
    CHANNEL_FIELD_NUMBER: _ClassVar[int]
    FLOAT32_FIELD_NUMBER: _ClassVar[int]
    RATE_HZ_FIELD_NUMBER: _ClassVar[int]
    SEQUENCE_FIELD_NUMBER: _ClassVar[int]
    START_NS_FIELD_NUMBER: _ClassVar[int]
    UNIT_FIELD_NUMBER: _ClassVar[int]
    channel: str
    float32: bytes
    rate_hz: float
    sequence: int
    start_ns: int
    unit: str
    def __init__(self, channel: _Optional[str] = ..., unit: _Optional[str] = ..., start_ns: _Optional[int] = ..., rate_hz: _Optional[float] = ..., sequence: _Optional[int] = ..., float32: _Optional[bytes] = ...) -> None: ...

class Channel(_message.Message):
    __slots__ = ["counts", "float32", "marks", "name", "unit"]
    COUNTS_FIELD_NUMBER: _ClassVar[int]
    FLOAT32_FIELD_NUMBER: _ClassVar[int]
    MARKS_FIELD_NUMBER: _ClassVar[int]
    NAME_FIELD_NUMBER: _ClassVar[int]
    UNIT_FIELD_NUMBER: _ClassVar[int]
    counts: Counts
    float32: bytes
    marks: _containers.RepeatedCompositeFieldContainer[Mark]
    name: str
    unit: str
    def __init__(self, name: _Optional[str] = ..., unit: _Optional[str] = ..., float32: _Optional[bytes] = ..., counts: _Optional[_Union[Counts, _Mapping]] = ..., marks: _Optional[_Iterable[_Union[Mark, _Mapping]]] = ...) -> None: ...

class Counts(_message.Message):
    __slots__ = ["int16", "offset", "scale"]
    INT16_FIELD_NUMBER: _ClassVar[int]
    OFFSET_FIELD_NUMBER: _ClassVar[int]
    SCALE_FIELD_NUMBER: _ClassVar[int]
    int16: bytes
    offset: float
    scale: float
    def __init__(self, int16: _Optional[bytes] = ..., scale: _Optional[float] = ..., offset: _Optional[float] = ...) -> None: ...

class Gap(_message.Message):
    __slots__ = ["agent", "first", "last", "stream", "why"]
    AGENT_FIELD_NUMBER: _ClassVar[int]
    FIRST_FIELD_NUMBER: _ClassVar[int]
    LAST_FIELD_NUMBER: _ClassVar[int]
    STREAM_FIELD_NUMBER: _ClassVar[int]
    WHY_FIELD_NUMBER: _ClassVar[int]
    agent: str
    first: int
    last: int
    stream: str
    why: str
    def __init__(self, agent: _Optional[str] = ..., stream: _Optional[str] = ..., first: _Optional[int] = ..., last: _Optional[int] = ..., why: _Optional[str] = ...) -> None: ...

class Mark(_message.Message):
    __slots__ = ["count", "first", "reason"]
    COUNT_FIELD_NUMBER: _ClassVar[int]
    FIRST_FIELD_NUMBER: _ClassVar[int]
    REASON_FIELD_NUMBER: _ClassVar[int]
    count: int
    first: int
    reason: Reason
    def __init__(self, first: _Optional[int] = ..., count: _Optional[int] = ..., reason: _Optional[_Union[Reason, str]] = ...) -> None: ...

class RegularTimes(_message.Message):
    __slots__ = ["count", "period_us"]
    COUNT_FIELD_NUMBER: _ClassVar[int]
    PERIOD_US_FIELD_NUMBER: _ClassVar[int]
    count: int
    period_us: int
    def __init__(self, period_us: _Optional[int] = ..., count: _Optional[int] = ...) -> None: ...

class Sent(_message.Message):
    __slots__ = ["boot_id", "echo_ns", "held_ns", "monotonic_ns", "wall_ns"]
    BOOT_ID_FIELD_NUMBER: _ClassVar[int]
    ECHO_NS_FIELD_NUMBER: _ClassVar[int]
    HELD_NS_FIELD_NUMBER: _ClassVar[int]
    MONOTONIC_NS_FIELD_NUMBER: _ClassVar[int]
    WALL_NS_FIELD_NUMBER: _ClassVar[int]
    boot_id: str
    echo_ns: int
    held_ns: int
    monotonic_ns: int
    wall_ns: int
    def __init__(self, wall_ns: _Optional[int] = ..., monotonic_ns: _Optional[int] = ..., boot_id: _Optional[str] = ..., echo_ns: _Optional[int] = ..., held_ns: _Optional[int] = ...) -> None: ...

class Upload(_message.Message):
    __slots__ = ["block", "gap", "sent"]
    BLOCK_FIELD_NUMBER: _ClassVar[int]
    GAP_FIELD_NUMBER: _ClassVar[int]
    SENT_FIELD_NUMBER: _ClassVar[int]
    block: Block
    gap: Gap
    sent: Sent
    def __init__(self, block: _Optional[_Union[Block, _Mapping]] = ..., gap: _Optional[_Union[Gap, _Mapping]] = ..., sent: _Optional[_Union[Sent, _Mapping]] = ...) -> None: ...

class ClockState(int, metaclass=_enum_type_wrapper.EnumTypeWrapper):
    __slots__ = []

class Reason(int, metaclass=_enum_type_wrapper.EnumTypeWrapper):
    __slots__ = []
