"""HiSLIP (IVI-6.1) in memory: two channels of bytes, no sockets."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hislip_client import Client, served
from hypothesis import given
from hypothesis import strategies as st

from sims.hislip import FIRST_ID, HEADER, LARGEST_MESSAGE_BYTES, BadHeader, ErrorCode, FatalCode, Kind, Message, Reader

# -- messages ----------------------------------------------------------------------------------------------------------


def test_a_header_as_the_standard_has_it() -> None:
    coded = Message(Kind.DATA_END, 1, 0xFFFF_FF00, b"*IDN?\n").encoded()
    assert coded == b"HS" + bytes([7, 1]) + b"\xff\xff\xff\x00" + bytes(7) + bytes([6]) + b"*IDN?\n"


MESSAGE = st.builds(
    Message,
    kind=st.integers(0, 255),
    control=st.integers(0, 255),
    parameter=st.integers(0, 0xFFFF_FFFF),
    payload=st.binary(max_size=40),
)


@given(st.lists(MESSAGE, max_size=6), st.data())
def test_messages_come_back_in_any_lots(messages: list[Message], data: Any) -> None:
    coded = b"".join(one.encoded() for one in messages)
    reader, found = Reader(), []
    while coded:
        size = data.draw(st.integers(1, len(coded)))
        found += reader.feed(coded[:size])
        coded = coded[size:]
    assert [(m.kind, m.control, m.parameter, m.payload) for m in found] == [
        (m.kind, m.control, m.parameter, m.payload) for m in messages
    ]


@given(st.lists(st.one_of(st.binary(max_size=60), MESSAGE.map(Message.encoded)), max_size=8))
def test_no_bytes_break_a_server(lots: list[bytes]) -> None:
    _, server = served()
    bystander = Client(server).open()
    channel = server.connect()
    for lot in lots:
        if not channel.ends:
            channel.feed(lot)
    channel.gone()
    assert bystander.ask(b"*IDN?") == b"A,B,C,D\n"


def test_bytes_that_are_no_hislip_end_the_session() -> None:
    with pytest.raises(BadHeader, match="b'\\*I' where 'HS' is due"):
        list(Reader().feed(b"*IDN?\n*IDN?\n*IDN?\n"))
    _, server = served()
    client = Client(server).open()
    client.sync.feed(b"*IDN?\n*IDN?\n*IDN?\n")
    (told,) = client.got(client.sync)
    assert (told.kind, told.control) == (Kind.FATAL_ERROR, FatalCode.BAD_HEADER)
    assert client.sync.ends
    assert client.other.ends


# -- opening -----------------------------------------------------------------------------------------------------------


def test_sessions_are_numbered_and_apart() -> None:
    _, server = served()
    one, other = Client(server).open(), Client(server).open()
    assert one.number != other.number
    assert one.ask(b"*ESE 5;*ESE?") == b"5\n"
    assert other.ask(b"*ESE?") == b"5\n", "the instrument is one"


def test_the_wrong_order_is_refused() -> None:
    _, server = served()
    for kind, parameter, code in (
        (Kind.DATA_END, 0, FatalCode.BAD_INITIALIZATION),
        (Kind.ASYNC_INITIALIZE, 77, FatalCode.BAD_INITIALIZATION),
    ):
        client = Client(server)
        (told,) = client.say(client.sync, kind, parameter=parameter)
        assert (told.kind, told.control, client.sync.ends) == (Kind.FATAL_ERROR, code, True)
    client = Client(server)
    client.say(client.sync, Kind.INITIALIZE, payload=b"hislip0")
    (told,) = client.say(client.sync, Kind.DATA_END, payload=b"*IDN?")
    assert (told.kind, told.control) == (Kind.FATAL_ERROR, FatalCode.NO_SECOND_CHANNEL)


def test_a_second_asynchronous_channel_is_refused() -> None:
    _, server = served()
    client = Client(server).open()
    third = Client(server)
    (told,) = third.say(third.other, Kind.ASYNC_INITIALIZE, parameter=client.number)
    assert told.kind == Kind.FATAL_ERROR
    assert client.ask(b"*OPC?") == b"1\n"


def test_too_many_clients() -> None:
    _, server = served(clients_max=1)
    first = Client(server).open()
    second = Client(server)
    (told,) = second.say(second.sync, Kind.INITIALIZE, payload=b"hislip0")
    assert (told.kind, told.control, second.sync.ends) == (Kind.FATAL_ERROR, FatalCode.TOO_MANY_CLIENTS, True)
    first.sync.gone()
    assert first.other.ends
    assert Client(server).open().ask(b"*OPC?") == b"1\n"


# -- talking -----------------------------------------------------------------------------------------------------------


def test_a_message_ends_where_end_says() -> None:
    _, server = served()
    client = Client(server).open()
    assert client.ask(b"*IDN?") == b"A,B,C,D\n"
    assert client.ask(b"*IDN?\n") == b"A,B,C,D\n"
    assert client.send(b"*ID", end=False) == []
    assert client.ask(b"N?") == b"A,B,C,D\n"
    assert client.send(b"*ESE 3") == []
    assert client.ask(b"*ESE?") == b"3\n"


def test_a_response_comes_in_messages_the_client_takes() -> None:
    _, server = served()
    client = Client(server).open()
    (told,) = client.say(client.other, Kind.ASYNC_MAXIMUM_MESSAGE_SIZE, payload=struct.pack("!Q", HEADER.size + 40))
    assert struct.unpack("!Q", told.payload) == (LARGEST_MESSAGE_BYTES,)
    replies = client.send(b"TEXT?")
    assert [one.kind for one in replies] == [Kind.DATA, Kind.DATA, Kind.DATA_END]
    assert b"".join(one.payload for one in replies) == b"x" * 100 + b"\n"


def test_a_message_too_large_is_dropped() -> None:
    _, server = served()
    client = Client(server).open()
    size = LARGEST_MESSAGE_BYTES
    client.sync.feed(HEADER.pack(b"HS", Kind.DATA_END, 0, FIRST_ID, size))
    client.sync.feed(b"x" * size)
    (told,) = client.got(client.sync)
    assert (told.kind, told.control) == (Kind.ERROR, ErrorCode.TOO_LARGE)
    assert client.ask(b"*OPC?") == b"1\n"


def test_more_than_the_input_buffer_holds_is_not_carried_out_in_part() -> None:
    instrument, server = served()
    client = Client(server).open()
    client.send(b"*ESE 3;" + b" " * 16_000, end=False)
    client.send(b" " * 16_000, end=False)
    assert client.send(b"*ESE?") == []
    assert instrument.errors() == '-363,"Input buffer overrun"'
    assert client.ask(b"*ESE?") == b"0\n"


@pytest.mark.parametrize(("kind", "code"), [(77, ErrorCode.UNKNOWN_TYPE), (200, ErrorCode.UNKNOWN_VENDOR_TYPE)])
def test_unknown_messages_are_refused_and_the_session_goes_on(kind: int, code: ErrorCode) -> None:
    _, server = served()
    client = Client(server).open()
    for channel in (client.sync, client.other):
        (told,) = client.say(channel, kind)
        assert (told.kind, told.control) == (Kind.ERROR, code)
    assert client.ask(b"*OPC?") == b"1\n"


def test_a_response_nobody_read_is_lost_and_both_channels_say_so() -> None:
    instrument, server = served()
    client = Client(server).open()
    client.send(b"*IDN?")
    replies = client.send(b"*OPC?", delivered=False)
    assert [one.kind for one in replies] == [Kind.INTERRUPTED, Kind.DATA_END]
    assert replies[0].parameter == replies[1].parameter == FIRST_ID + 2
    (told,) = client.got(client.other)
    assert (told.kind, told.parameter) == (Kind.ASYNC_INTERRUPTED, FIRST_ID + 2)
    assert instrument.errors().startswith('-410,"Query INTERRUPTED')
    assert client.ask(b"*OPC?") == b"1\n"
    assert instrument.errors().startswith("0,")


def test_a_late_reply_carries_the_number_of_its_question() -> None:
    instrument, server = served(reply_delay_s=1.0)
    client = Client(server).open()
    assert client.send(b"*IDN?") == []
    assert server.due_s == 1.0
    instrument.t = 0.9
    server.look()
    assert client.got(client.sync) == []
    instrument.t = 1.0
    server.look()
    (reply,) = client.got(client.sync)
    assert (reply.payload, reply.parameter) == (b"A,B,C,D\n", FIRST_ID)


def test_a_question_before_a_late_reply_has_that_reply_dropped() -> None:
    instrument, server = served(reply_delay_s=1.0)
    client = Client(server).open()
    client.send(b"*IDN?")
    instrument.t = 0.5
    assert [one.kind for one in client.send(b"*OPC?", delivered=False)] == [Kind.INTERRUPTED]
    instrument.t = 5.0
    server.look()
    (reply,) = client.got(client.sync)
    assert (reply.payload, reply.parameter) == (b"1\n", FIRST_ID + 2)


def test_a_device_clear_ends_everything_that_was_under_way() -> None:
    instrument, server = served(reply_delay_s=1.0)
    client = Client(server).open()
    client.send(b"*IDN?")
    client.send(b"*ESE 3;", end=False, delivered=True)
    client.got(client.other)
    (told,) = client.say(client.other, Kind.ASYNC_DEVICE_CLEAR)
    assert told.kind == Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE
    assert client.say(client.sync, Kind.DATA_END, 0, 0, b"*ESE 7") == [], "sent before the clear, so thrown away"
    (told,) = client.say(client.sync, Kind.DEVICE_CLEAR_COMPLETE)
    assert told.kind == Kind.DEVICE_CLEAR_ACKNOWLEDGE
    instrument.t = 2.0
    server.look()
    assert client.got(client.sync) == []
    client.send(b"*ESE?", delivered=False)
    instrument.t = 3.0
    server.look()
    (reply,) = client.got(client.sync)
    assert reply.payload == b"0\n"


def test_half_a_block_is_gone_after_a_clear() -> None:
    _, server = served()
    client = Client(server).open()
    client.send(b"TEXT #9", end=False)
    client.clear()
    assert client.ask(b"*OPC?") == b"1\n"


def test_status_without_disturbing_the_talk() -> None:
    _, server = served()
    client = Client(server).open()
    assert client.status(delivered=False) == 0
    client.send(b"*IDN?")
    assert client.status(delivered=False) == 16, "message available"
    assert client.status(delivered=True) == 0
    assert [one.kind for one in client.send(b"*OPC?", delivered=False)] == [Kind.DATA_END], "it was read, as said above"
    client.send(b"NOSUCH")
    assert client.status(delivered=True) == 4
    client.say(client.sync, Kind.TRIGGER, 1, FIRST_ID)
    assert client.ask(b"SYST:ERR:ALL?").endswith(b'-211,"Trigger ignored"\n')


def test_remote_and_local() -> None:
    instrument, server = served()
    client = Client(server).open()
    for control, remote in ((2, False), (3, True), (6, False), (1, False), (5, True), (0, True)):
        (told,) = client.say(client.other, Kind.ASYNC_REMOTE_LOCAL_CONTROL, control, FIRST_ID)
        assert (told.kind, instrument.key.remote) == (Kind.ASYNC_REMOTE_LOCAL_RESPONSE, remote), control
    (told,) = client.say(client.other, Kind.ASYNC_REMOTE_LOCAL_CONTROL, 9)
    assert (told.kind, told.control) == (Kind.ERROR, ErrorCode.UNKNOWN_CONTROL)
