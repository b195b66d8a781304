"""Sheets in the browser's pages: read, compared, revised; faults at their fields; nothing changed that is filed."""

from __future__ import annotations

import html
import re
from io import BytesIO

import pytest
from asleft.sheet.reader import read_sheet

S = 10**9
V = "press-2.clamp"
REVISE = f"/sheets/{V}/revise"


def text_of(answer) -> str:
    return html.unescape(answer.get_data(as_text=True))


def typed_in(page: str) -> dict[str, str]:
    """What the fields of the form hold."""
    found = re.findall(r'<input id="(\w+)" name="\w+" type="text"(?: value="([^"]*)")?', page)
    return dict(found)


def values(client, doors, **changes) -> dict[str, str]:
    page = text_of(client.get(REVISE))
    return client.post(REVISE, data=filled(page, doors, **changes))


def filled(page: str, doors, **changes) -> dict[str, str]:
    """The form of a page as somebody sends it."""
    after = re.search(r'name="after" value="(\d+)"', page).group(1)
    form = {doors.CSRF: doors.word_in(page), "act": "values", "after": after, **typed_in(page)}
    return {**form, "why": "retuned", **changes}


def file_it(client, doors, preview) -> object:
    page = text_of(preview)
    toml = re.search(r"<textarea[^>]*>(.*?)</textarea>", page, re.DOTALL).group(1).replace("&amp;", "&")
    return client.post(REVISE, data={doors.CSRF: doors.word_in(page), "act": "file", "toml": toml})


def test_the_list_says_who_when_and_why(client):
    page = text_of(client.get("/sheets"))
    assert "<h1>Every valve has a sheet.</h1>" in page
    assert "sheet 3, in force since 8 May 17:02, by rk: pump replaced" in page
    assert page.count(">revise</a>") == 8
    assert 'href="/sheets/new"' in page
    assert 'href="/start"' in page


def test_a_valve_that_sends_and_has_no_sheet_comes_first(client, plant):
    plant._valves["press-9.new"] = ("Press 9", "new one")
    page = text_of(client.get("/sheets"))
    assert "1 valve sends data and has no sheet" in page
    assert page.index("press-9.new") < page.index("Press 1")
    assert ">make one</a>" in page
    form = text_of(client.get("/sheets/press-9.new/revise"))
    assert "The first sheet of press-9.new." in form
    assert 'id = "press-9.new"' in form


def test_a_revision_by_fields_is_shown_before_it_is_filed_and_then_filed_once(client, doors, desked, door):
    before = desked.sheets(V)
    preview = values(client, doors, ramp_up="2.1", pressure_at_full="")
    assert preview.status_code == 200
    page = text_of(preview)
    assert "Revision 4 of the clamp pressure of Press 2, not filed yet." in page
    assert "ramp up: 1.60 s → 2.10 s (+0.500 s)" in page
    assert "revision.number" not in page  # it stands in the sentence
    assert "full command may give full pressure or flow" in page.lower()
    assert desked.sheets(V) == before
    answer = file_it(client, doors, preview)
    assert (answer.status_code, answer.location) == (303, f"/sheets/{V}?said=filed")
    filed = desked.sheets(V)
    assert filed[:1] == before
    sheet = read_sheet(filed[1].toml)
    assert sheet.as_left["ramp_up"] == 2.1
    assert "pressure_at_full" not in sheet.as_left
    assert sheet.characteristic == read_sheet(before[0].toml).characteristic
    assert (filed[1].number, filed[1].by, filed[1].why) == (4, "technician", "retuned")
    assert door.trail()[-1][2:4] == ("sheet filed", f"{V}, revision 4")
    one = text_of(client.get(answer.location))
    assert "From revision 3 to 4" in one
    assert "ramp up: 1.60 s → 2.10 s" in one
    assert client.get(f"/sheets/{V}/file/3").get_data(as_text=True) == before[0].toml


def test_all_faults_stand_at_their_fields_and_nothing_typed_is_lost(client, doors, desked):
    answer = values(
        client, doors, ramp_up="soon", current_at_full="9", ramp_down="2,5", by=" ", why="", at="yesterday"
    )
    assert answer.status_code == 400
    page = text_of(answer)
    for name, words in (
        ("ramp_up", "'soon' is not a number"),
        ("by", "say who set it"),
        ("why", "say why"),
        ("at", "not a day and a time of the plant"),
    ):
        assert f'id="{name}-fault" class="wrong">{words}' in page, name
        assert page.index(f'<a href="#{name}">') < page.index("<h1>"), name
        assert re.search(rf'id="{name}"[^>]*aria-invalid="true"', page), name
    assert typed_in(page)["ramp_down"] == "2,5"
    assert len(desked.sheets(V)) == 1
    limits = text_of(values(client, doors, current_at_full="9"))
    assert 'id="current_at_full-fault"' in limits
    assert "5 A" in limits


def test_a_decimal_comma_is_understood(client, doors, desked):
    file_it(client, doors, values(client, doors, ramp_down="2,5"))
    assert read_sheet(desked.sheets(V)[-1].toml).as_left["ramp_down"] == 2.5


def test_values_found_come_with_the_address(client):
    page = text_of(
        client.get(f"{REVISE}?ramp_up=2.1&why=ramp+up+changed,+on+purpose&headroom=3&dither=x&ramp_down=no")
    )
    assert typed_in(page)["ramp_up"] == "2.10"
    assert typed_in(page)["why"] == "ramp up changed, on purpose"
    assert typed_in(page)["ramp_down"] == "2.4"


def test_another_unit_is_kept_as_entered_and_converted_as_files_are(client, doors, desked):
    text = desked.sheets(V)[-1].toml.replace("[as_left]", '[units]\npressure = "psi"\n[as_left]')
    text = text.replace("pressure_at_full = 210.0", "pressure_at_full = 3000.0").replace("number = 3", "number = 4")
    text = re.sub(r"\[characteristic\].*?(?=\[revision\])", "", text, flags=re.DOTALL)
    text = text.replace("pressure_at_zero = 12.0", "pressure_at_zero = 174.0").replace("2026-03-02", "2026-06-02")
    page = text_of(client.get(REVISE))
    answer = client.post(REVISE, data={doors.CSRF: doors.word_in(page), "act": "file", "toml": text})
    assert answer.status_code == 303, text_of(answer)[-1500:]
    fields = typed_in(text_of(client.get(f"{REVISE}?pressure_at_zero=10")))
    assert fields["pressure_at_full"] == "3000"
    assert float(fields["pressure_at_zero"]) == pytest.approx(145.04, abs=0.05)
    file_it(client, doors, values(client, doors, ramp_up="1.7"))
    assert "pressure_at_full = 3000.0" in desked.sheets(V)[-1].toml
    assert read_sheet(desked.sheets(V)[-1].toml).as_left["pressure_at_full"] == pytest.approx(206.843, abs=1e-3)


def test_a_file_with_faults_comes_back_with_all_of_them(client, doors, desked):
    page = text_of(client.get(REVISE))
    toml = desked.sheets(V)[-1].toml.replace("ramp_up = 1.6", "ramp_up = 700.0\nramp_sideways = 1.0")
    answer = client.post(REVISE, data={doors.CSRF: doors.word_in(page), "act": "check", "toml": toml})
    said = text_of(answer)
    assert answer.status_code == 400
    for words in ("ramp_sideways", "as_left.ramp_up = 700.0", "things are wrong"):
        assert words in said
    assert "ramp_up = 700.0" in said  # and what was typed


def test_an_uploaded_file(client, doors, desked):
    page = text_of(client.get(REVISE))
    toml = desked.sheets(V)[-1].toml.replace("number = 3", "number = 4").replace("ramp_up = 1.6", "ramp_up = 1.9")
    toml = toml.replace("2026-03-02", "2026-06-02")
    word = doors.word_in(page)
    upload = {"file": (BytesIO(toml.encode()), "s.toml"), "act": "check", doors.CSRF: word}
    assert "ramp up: 1.60 s → 1.90 s" in text_of(client.post(REVISE, data=upload))
    large = {"file": (BytesIO(b"#" * 200_001), "s.toml"), "act": "check", doors.CSRF: word}
    answer = client.post(REVISE, data=large)
    assert (answer.status_code, "longer than 200,000 bytes" in text_of(answer)) == (400, True)
    binary = {"file": (BytesIO(b"\xff\xfe\x00"), "s.toml"), "act": "check", doors.CSRF: word}
    assert client.post(REVISE, data=binary).status_code == 400
    assert len(desked.sheets(V)) == 1


def test_the_second_of_two_is_told_and_keeps_what_was_typed(client, doors, desked):
    first, second = values(client, doors, ramp_up="1.7"), values(client, doors, ramp_up="1.8")
    assert file_it(client, doors, first).status_code == 303
    answer = file_it(client, doors, second)
    page = text_of(answer)
    assert answer.status_code == 409
    assert "Somebody has filed revision 4 meanwhile." in page
    assert "ramp_up = 1.8" in page
    assert len(desked.sheets(V)) == 2


def test_a_sheet_of_another_valve_or_without_a_reason_is_refused(client, doors, desked):
    page = text_of(client.get(REVISE))
    word, toml = doors.word_in(page), desked.sheets(V)[-1].toml.replace("number = 3", "number = 4")
    for text, words in (
        (toml.replace(V, "press-9.x"), "this is the page of"),
        (toml.replace('why = "pump replaced"', ""), "revision.why: missing"),
    ):
        answer = client.post(REVISE, data={doors.CSRF: word, "act": "file", "toml": text})
        assert (answer.status_code, words in text_of(answer)) == (400, True), text_of(answer)[-800:]
    assert len(desked.sheets(V)) == 1


def test_a_viewer_reads_and_cannot_file(app, doors, desked):
    viewer = app.server.test_client()
    doors.sign_in(viewer, "viewer")
    assert ">revise</a>" not in text_of(viewer.get("/sheets"))
    assert "Your account may look" in text_of(viewer.get(f"/sheets/{V}"))
    assert viewer.get(REVISE).status_code == 403
    word = doors.csrf(viewer)
    assert viewer.post(REVISE, data={"act": "file", "toml": "x"}, headers=word).status_code == 403
    assert len(desked.sheets(V)) == 1


def test_what_is_not_there(client):
    assert client.get("/sheets/no-such").status_code == 404
    assert client.get("/sheets/Not%20An%20Id/revise").status_code == 404
    assert client.get(f"/sheets/{V}/file/77").status_code == 404


def test_a_form_filled_from_an_older_revision_cannot_undo_a_newer_one(client, doors, desked):
    """Opened on revision 3, sent after somebody filed 4: told, with what was typed, and never numbered 5."""
    page = text_of(client.get(REVISE))
    assert file_it(client, doors, values(client, doors, ramp_up="1.7")).status_code == 303
    answer = client.post(REVISE, data=filled(page, doors, ramp_down="2.5"))
    said = text_of(answer)
    assert answer.status_code == 409
    assert "technician has filed revision 4 since this form was filled from revision 3: retuned." in said
    assert typed_in(said)["ramp_down"] == "2.5"
    again = client.post(REVISE, data=filled(said, doors))  # sent once more as it came back
    assert again.status_code == 409
    assert [record.number for record in desked.sheets(V)] == [3, 4]
    assert read_sheet(desked.sheets(V)[-1].toml).as_left["ramp_up"] == 1.7


def test_a_comma_that_may_be_one_of_thousands_is_asked_about(client, doors, desked):
    answer = values(client, doors, pressure_at_full="1,200")
    assert answer.status_code == 400
    assert "may be read in two ways" in text_of(answer)
    assert len(desked.sheets(V)) == 1


def test_the_form_takes_the_plants_clock(client, doors, desked):
    assert typed_in(text_of(client.get(REVISE)))["at"] == "2026-11-24 16:02:07"
    file_it(client, doors, values(client, doors, ramp_up="2.1", at="2026-11-24 12:00"))
    assert desked.sheets(V)[-1].at_ns == 1_795_518_000 * 10**9  # 11:00 UTC


def test_after_filing_the_page_says_that_judging_catches_up_until_it_has(client, doors, plant):
    assert "Judging catches up" not in text_of(client.get(f"/sheets/{V}"))
    file_it(client, doors, values(client, doors, ramp_up="2.1"))
    plant.now += 2 * 10**9
    page = text_of(client.get(f"/sheets/{V}?said=filed"))
    assert (
        "Judging catches up with sheet 4: until it has, the other pages say what was judged by an earlier one."
        in page
    )
    assert re.search(r'id="behind" data-renew', page)
    plant._judgements[V]["sheet_revision"] = 4
    plant.judgement = lambda valve: {**plant._judgements[valve], "to": "2026-11-24T14:00:00Z"}
    assert "Judging catches up: by sheet 4 it is judged until 15:00." in text_of(client.get(f"/sheets/{V}"))
    del plant.judgement
    assert "Judging catches up" not in text_of(client.get(f"/sheets/{V}"))
