from __future__ import annotations

from dataclasses import replace

from asleft.alarms.events import AlarmEvent, EventKind
from asleft.store.outbox import NoOutbox, Standing
from asleft.store.protocols import Backfill, Health, StreamMark
from asleft.web.health import health, health_body, health_view
from asleft.web.views.storing import size_words


def words(source) -> str:
    return health_view(source, "0.1.0").agents[0].delivery.words


def test_the_count_of_blocks_is_told_as_a_sum(source):
    view = health_view(source, "0.1.0")
    assert view.agents[0].delivery.words == (
        "Balanced, nothing lost: 48,231 generated = 48,230 stored + 0 declared lost + 1 on their way."
    )
    assert view.agents[1].delivery.words.startswith("Balanced, with a declared loss: 9,120 generated = 9,105 stored")
    assert view.headline == "14 blocks were declared lost, all others stored. Judging keeps up."


def test_an_agent_that_believes_more_than_is_stored_does_not_balance(plant, source):
    plant.healths[1] = Health(
        "agent/hall-1", plant.now, {"stream": "s1", "highest_seq": 48_300, "acknowledged": 48_290}
    )
    view = health_view(source, "0.1.0")
    assert view.agents[0].delivery.balanced is False
    assert "Does not balance" in view.agents[0].delivery.words
    assert "60 unaccounted for" in view.agents[0].delivery.words
    assert view.headline == "The count of blocks from hall-1 does not balance."
    assert 'class="wrong"' in health_body(view)


def test_what_an_agent_says_of_another_stream_is_not_taken_for_this_one(plant, source):
    plant.healths[1] = Health("agent/hall-1", plant.now, {"online": True, "stream": "new", "highest_seq": 5})
    agent = health_view(source, "0.1.0").agents[0]
    assert agent.delivery.balanced is None
    assert agent.online is None
    assert "has not said" in agent.delivery.words


def test_an_agent_heard_of_but_with_nothing_stored_is_shown(plant, source):
    plant.healths.append(
        Health("agent/new", plant.now, {"online": True, "stream": "s9", "highest_seq": 4, "acknowledged": 0})
    )
    agent = next(a for a in health_view(source, "0.1.0").agents if a.name == "new")
    assert agent.delivery.balance.unacknowledged == 4
    assert agent.delivery.balanced is True


def test_an_agent_that_has_finished_is_not_missed(plant, source):
    plant.healths[2] = Health(
        "agent/hall-2",
        plant.now,
        {"online": False, "stream": "s2", "highest_seq": 9_120, "details": {"finished": "yes"}},
    )
    view = health_view(source, "0.1.0")
    assert "offline" not in view.headline
    assert [agent.finished for agent in view.agents if agent.name == "hall-2"] == [True]


def test_the_most_important_trouble_comes_first(plant, source):
    plant.healths[2] = Health("agent/hall-2", plant.now, {"online": False, "stream": "s2", "highest_seq": 9_120})
    assert health_view(source, "0.1.0").headline == "One agent is offline: hall-2."
    plant.silent = True
    plant.now += 60 * 10**9
    assert health_view(source, "0.1.0").headline.startswith("The recorder has not reported for")
    plant.healths.clear()
    plant.marks = list
    assert health_view(source, "0.1.0").headline == "Nothing has arrived yet: no recorder has written here."


def test_where_samples_are_and_how_long_they_stay_is_told(plant, source):
    store = {"where": "InfluxDB at http://h:8086", "keeps_raw": "90 days", "keeps_overview": "for ever"}
    plant.healths[0] = Health("recorder", plant.now, {**plant.healths[0].details, "store": store})
    facts = {fact.what: fact.value for fact in health_view(source, "0.1.0").facts}
    assert facts["samples are kept in"] == "InfluxDB at http://h:8086"
    assert (facts["readings are kept"], facts["overviews are kept"]) == ("90 days", "for ever")
    assert "blocks not yet merged into longer ones" not in facts


def test_trouble_of_broker_and_judging_is_told(plant, source):
    details = dict(plant.healths[0].details)
    plant.healths[0] = Health("recorder", plant.now, {**details, "broker_connected": False})
    assert "lost the broker" in health_view(source, "0.1.0").headline
    trouble = {"storing_fails": True, "last_error": "storing failed: http://10.0.0.7:8086 cannot be reached"}
    plant.healths[0] = Health("recorder", plant.now, {**details, **trouble})
    assert health_view(source, "0.1.0").headline == (
        "Nothing can be stored at present; agents keep their blocks until it can be: "
        "http://10.0.0.7:8086 cannot be reached."
    )
    plant.healths[0] = Health("recorder", plant.now, {**details, "judging_alive": False})
    assert "nothing is judged" in health_view(source, "0.1.0").headline
    failure = {"press-1.platen": {"count": 3, "message": "no such channel", "at_ns": 1}}
    plant.healths[0] = Health("recorder", plant.now, {**details, "judge_failures": failure})
    view = health_view(source, "0.1.0")
    assert view.headline == "Judging fails on Press 1, platen pressure; everything is stored."
    assert "fails: no such channel" in health_body(view)


def test_of_several_recorders_it_is_told_which_has_which_agent(plant, source):
    details = dict(plant.healths.pop(0).details)
    s = 10**9
    plant.silent = True  # rows are as old as they say
    plant.healths += [
        Health("recorder/north", plant.now - s, {**details, "owns": ["hall-1"], "commit_failures": 2}),
        Health("recorder/south", plant.now, {**details, "owns": ["hall-2", "hall-3"], "commit_failures": 3}),
        Health("recorder/old", plant.now - 90 * s, {**details, "owns": [], "storing_fails": True}),
        Health("recorder/gone", plant.now - 90_000 * s, {**details, "owns": []}),
    ]
    hall = plant.healths[0]
    plant.healths[0] = Health(hall.source, hall.at_ns, {**hall.details, "recorder": "north"})
    view = health_view(source, "0.1.0")
    facts = {fact.what: fact.value for fact in view.facts}
    assert facts["recorder north"] == "has hall-1"
    assert facts["recorder south"] == "has hall-2, hall-3"
    assert facts["recorder old"] == "silent for 90 s; it had no agent"
    assert "recorder gone" not in facts
    assert facts["commits that failed"] == "5"
    assert "Its recorder is north." in health_body(view)
    assert view.headline.endswith("Judging keeps up.")
    plant.healths[-3] = Health("recorder/south", plant.now, {**details, "judging_alive": False})
    assert "nothing is judged" in health_view(source, "0.1.0").headline
    plant.healths[-3] = Health("recorder/south", plant.now, {**details, "broker_connected": False})
    assert "lost the broker" not in health_view(source, "0.1.0").headline
    plant.now += 60 * s
    assert health_view(source, "0.1.0").headline.startswith("The recorder has not reported for")


def test_judging_is_told_for_each_valve(plant, source):
    plant._backfills = [Backfill("press-1.platen", 0, 14, 60, False)]
    view = health_view(source, "0.1.0")
    row = next(r for r in view.judged if r.valve == "press-1.platen")
    assert row.lag == "2.0 s behind the newest sample"
    assert row.history == "14 of 60 windows"
    assert view.progress.words.startswith("History is being judged: 14 of 60")
    assert view.headline.endswith("History is being judged.")


def test_a_stream_that_has_never_sent_says_so(plant, source):
    plant.marks = lambda: [StreamMark("hall-1", "s1", 0, 0, 0, 0)]
    assert health_view(source, "0.1.0").agents[0].lag == "never"


def test_readings_that_fail_are_told_in_the_alarms_words(plant, source, plants):
    body = plant.judgement("press-1.platen")
    words = "312 readings could not be used (5.2 %): 312 failed."
    body["findings"] = [plants.finding("data-missing", "data", None, 1, words)]
    plant.judgements = lambda: {"press-1.platen": body}
    plant.judgement = plant.judgements().get
    onset_ns = plant.now - 3600 * 10**9
    said = ("judge", "", "press-1.platen", "data-missing", 1, "data", "5.0 %", onset_ns)
    event = AlarmEvent(f"press-1.platen/data-missing/{onset_ns}", 1, EventKind.RAISED, onset_ns, *said)
    plant.alarm_events_lately = lambda _since: [event]
    headline = health_view(source, "0.1.0").headline
    assert headline == (
        "Data missing on Press 1, platen pressure since 15:02: 312 readings could not be used (5.2 %): 312 failed."
    )
    other = replace(event, alarm="press-2.clamp/data-missing/1", valve="press-2.clamp")
    plant.alarm_events_lately = lambda _since: [event, other]
    plant.judgements = lambda: {"press-1.platen": body, "press-2.clamp": body}
    assert health_view(source, "0.1.0").headline == (
        "Data missing on two valves on agent hall-1 since 15:02: 312 readings could not be used (5.2 %): 312 failed."
    )
    plant.judgements = lambda: {"press-1.platen": body}
    plant.alarm_events_lately = lambda _since: []
    assert "Data missing on Press 1, platen pressure: 312" in health_view(source, "0.1.0").headline


def test_what_an_agent_complains_of_is_short_folded_and_in_the_plants_time(plant, source):
    """As an agent says it of each of its valves, which was a paragraph of UTC before any figure."""
    said = "; ".join(
        f"press-1.{name}: 56,656 readings of all 8 channels could not be used since 2026-11-24 13:58:07 UTC: "
        "nothing was read in time"
        for name in ("platen", "ejector", "clamp")
    )
    hall = plant.healths[1]
    plant.healths[1] = Health(hall.source, hall.at_ns, {**hall.details, "details": {"alarms": f"{said}; and 1 more"}})
    view = health_view(source, "0.1.0")
    agent = next(one for one in view.agents if f"agent/{one.name}" == hall.source)
    assert len(agent.complaints) == 4
    first = (
        "press-1.platen: 56,656 readings of all 8 channels could not be used since 14:58: nothing was read in time"
    )
    assert agent.complaints[0] == first
    body = str(health_body(view))
    assert f"It reports: {first}." in body
    assert f"<summary>What else agent {agent.name} reports</summary>" in body
    assert body.count("<li>press-1.") == 2
    assert "UTC" not in body
    assert first in next(row[3] for row in health(source, "0.1.0").rows if row[1:3] == [agent.name, "remark"])
    one = {**hall.details, "details": {"alarms": "the disk is full"}, "clock": {"trouble": "3 s late"}}
    plant.healths[1] = Health(hall.source, hall.at_ns, one)
    body = str(health_body(health_view(source, "0.1.0")))
    assert "It reports: the disk is full." in body
    assert "<li>clock: 3 s late; times are corrected</li>" in body


def test_sizes_are_in_plain_units():
    assert [size_words(n) for n in (12, 9_400, 212_400_000, 9_000_000_000_000)] == [
        "12 bytes",
        "9 kB",
        "212.4 MB",
        "9000.0 GB",
    ]


def test_facts_name_versions_store_and_zone(source):
    text = health_body(health_view(source, "0.1.0"))
    for piece in ("212.4 MB", "Europe/Madrid", "127.0.0.1:1883 connected", "version of the recorder"):
        assert piece in text


GB, HOUR = 10**9, 3600 * 10**9


def stored(plant, **said):
    store = {"where": "/data/samples.db", "keeps_raw": "for ever", **said}
    plant.healths[0] = Health("recorder", plant.now, {**plant.healths[0].details, "store": store})


def told(source) -> dict[str, str]:
    return {fact.what: fact.value for fact in health_view(source, "0.1.0").facts}


def test_the_day_on_which_the_disk_is_full_is_told_at_the_rate_of_the_last_day(plant, source):
    stored(plant, folder_bytes=12 * GB, free_bytes=100 * GB, sizes=[[plant.now - 24 * HOUR, 10 * GB]])
    assert told(source)["data folder"] == "12.0 GB, 100.0 GB free on its disk"
    assert told(source)["disk full"] == "in about 50 days, at 2.0 GB a day as in the last 24 h"
    assert "disk is full" not in health_view(source, "0.1.0").headline
    stored(plant, folder_bytes=12 * GB, free_bytes=2200 * GB, sizes=[[plant.now - 24 * HOUR, 10 * GB]])
    assert told(source)["disk full"].startswith("in about 3 years, at 2.0 GB a day")
    stored(plant, folder_bytes=12 * GB, free_bytes=GB, sizes=[[plant.now - 24 * HOUR, 10 * GB]])
    assert told(source)["disk full"].startswith("in about 12 h, at 2.0 GB a day")
    sizes = [[plant.now - 12 * HOUR, 8 * GB], [plant.now - HOUR, 11 * GB]]
    stored(plant, folder_bytes=12 * GB, free_bytes=24 * GB, sizes=sizes, keeps_raw="90 days")
    words = "in about 3 days, at 8.0 GB a day as in the last 12 h; readings are kept 90 days, so it may stop"
    words += " growing before"
    assert told(source)["disk full"] == words
    assert health_view(source, "0.1.0").headline.endswith(f"But the disk is full {words}.")


def test_where_the_day_is_not_known_it_is_said_why(plant, source):
    stored(plant)
    assert told(source)["disk full"].startswith("not known: how full that server's disk is")
    stored(plant, folder_bytes=1, free_bytes=100 * GB, sizes=[[plant.now - HOUR // 4, 1]])
    assert told(source)["disk full"] == "not known yet: watched for 15 min, and a rate needs an hour"
    stored(plant, folder_bytes=1, free_bytes=100 * GB, sizes="broken")
    assert told(source)["disk full"].startswith("not known yet: watched for 0.0 s")
    stored(plant, folder_bytes=5 * GB, free_bytes=100 * GB, sizes=[[plant.now - 2 * HOUR, 6 * GB]])
    assert told(source)["disk full"] == "not in sight: it did not grow in the last 2 h"
    stored(plant, folder_bytes=6 * GB, free_bytes=10**16, sizes=[[plant.now - 2 * HOUR, 5 * GB]])
    assert told(source)["disk full"] == "not within ten years, at 12.0 GB a day as in the last 2 h"
    stored(plant, folder_bytes=5 * GB, free_bytes=100, sizes=[[plant.now - 2 * HOUR, 6 * GB]])
    assert told(source)["disk full"] == "now"
    plant.healths[0] = Health("recorder", plant.now, {})
    assert "disk full" not in told(source)


def test_messages_that_wait_or_failed_are_told(plant, source):
    class Box:
        def __init__(self, *given) -> None:
            self.given = given

        def standing(self):
            return Standing(*self.given)

    s = 10**9
    for given, words in (
        ((0, 0, None, None, None, ""), "none has been made so far; “asleft notify” makes and sends them"),
        ((0, 0, None, None, plant.now - HOUR, ""), "none waits, the last was sent 15:02"),
        ((2, 0, plant.now - 60 * s, None, None, ""), "two wait, the oldest made 16:01"),
        (
            (1, 0, plant.now - 600 * s, None, None, ""),
            "one waits, the oldest made 15:52; not tried yet: is “asleft notify” running?",
        ),
        (
            (3, 2, plant.now - 600 * s, plant.now + 60 * s, None, "refused"),
            "three wait, the oldest made 15:52; two tried in vain and tried again from 16:03, last answer: refused",
        ),
    ):
        source.outbox = Box(*given)
        assert told(source)["messages to people"] == words
    source.outbox = NoOutbox()
    assert "messages to people" not in told(source)


def test_each_agents_clock_is_told(plant, source):
    details = plant.healths[1].details
    for clock, words in (
        (None, "not compared yet"),
        ({"offset_s": 0.0, "drift_ppm": None, "trouble": ""}, "right"),
        ({"offset_s": 0.012, "drift_ppm": 0.2, "trouble": ""}, "right, 12 ms late, runs true"),
        (
            {"offset_s": -95.0, "drift_ppm": 140.0, "trouble": "its clock was put 95 s on"},
            "its clock was put 95 s on; corrected, 95 s early, 140 ppm fast",
        ),
    ):
        plant.healths[1] = Health("agent/hall-1", plant.now, {**details, "clock": clock})
        view = health_view(source, "0.1.0")
        assert view.agents[0].clock == words
        assert words in health_body(view)


def test_versions_are_compared(plant, source):
    plant.healths.append(Health("judging", plant.now, {"version": "0.1.0", "judge_version": 4}))
    assert told(source)["versions"] == (
        "all processes that say so are 0.1.0; results are by version 4 of the judge's rules"
    )
    plant.healths[1] = Health("agent/hall-1", plant.now, {**plant.healths[1].details, "version": "0.0.9"})
    assert told(source)["versions"].startswith(
        "agent hall-1 0.0.9; agent hall-2 0.1.0; judging 0.1.0; recorder 0.1.0"
    )


def test_what_agents_may_not_send_is_told_with_agent_valve_and_command(plant, source):
    details = dict(plant.healths.pop(0).details)
    words = (
        "agent hall-1 sends valve press-9.platen, which is bound to hall-2; asleft agents bind hall-1 press-9.platen"
    )
    refused = {"agent": "hall-1", "valve": "press-9.platen", "words": words, "count": 1_234, "since_ns": plant.now}
    more = [{**refused, "agent": f"hall-{number}"} for number in range(3, 20)]
    plant.healths += [
        Health("recorder/north", plant.now, {**details, "refused": [refused], "alarms": [words.capitalize()]}),
        Health("recorder/south", plant.now, {**details, "refused": more, "alarms": []}),
    ]
    view = health_view(source, "0.1.0")
    facts = {fact.what: fact.value for fact in view.facts}
    assert facts["not stored, from hall-1"].startswith("1,234 times since ")
    assert "asleft agents bind hall-1 press-9.platen" in facts["not stored, from hall-1"]
    assert facts["not stored, more kinds"] == "8"
    assert view.headline.startswith("Agent hall-1 sends valve press-9.platen")
