"""The story of an episode as a list."""

from __future__ import annotations

from dataclasses import replace

from textual.app import App, ComposeResult

from console.app.signs import UNICODE
from console.app.themes import CELLAR, variables
from console.app.widgets.list_rows import ListRows
from console.app.widgets.story_list import StoryList
from console.diagnosis.story import Line, Part, Place, Story
from tests.console.app.screens.showing import played
from tests.console.diagnosis.stories import S, some_episode

STORY = Story(
    some_episode(),
    "camera stopped",
    (
        Part(
            "what happened", (Line("its last reply", Place(2_047 * S, "packets", 3)), Line("why"))
        ),
        Part("ruled out", (Line("SDA held"), Line("SCL held")), folded=True),
    ),
)


class ListApp(App[None]):
    def __init__(self, story: Story = STORY) -> None:
        super().__init__()
        self.story, self.chosen = story, 0
        self.register_theme(CELLAR)
        self.theme = CELLAR.name

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return variables(dark=True)

    def compose(self) -> ComposeResult:
        yield StoryList(UNICODE)

    def on_mount(self) -> None:
        self.query_one(StoryList).fill(self.story, 0)
        self.query_one(StoryList).focus()

    def on_list_rows_chosen(self, _message: ListRows.Chosen) -> None:
        self.chosen += 1


def drawn(app: App[None]) -> list[str]:
    found = app.query_one(StoryList)
    return [found.render_line(y).text.rstrip() for y in range(found.row_count() + 1)]


@played
async def test_it_shows_titles_sentences_and_where_these_lead() -> None:
    async with ListApp().run_test(size=(40, 12)) as pilot:
        assert drawn(pilot.app) == [
            " camera stopped",
            " what happened",
            "  · its last reply",
            "    why",
            "",
            " ruled out (2) ▸",
        ]


@played
async def test_a_wide_one_shows_when_the_evidence_was() -> None:
    async with ListApp().run_test(size=(110, 12)) as pilot:
        row = drawn(pilot.app)[2]
        assert row.split() == ["·", "its", "last", "reply", "34:07.000"]


@played
async def test_enter_opens_a_folded_part_and_closes_it_again() -> None:
    async with ListApp().run_test(size=(40, 12)) as pilot:
        await pilot.press("end", "enter")
        opened = drawn(pilot.app)[5:]
        await pilot.press("enter")
        assert opened == [" ruled out (2) ▾", "    SDA held", "    SCL held"]
        assert drawn(pilot.app)[5:] == [" ruled out (2) ▸"]


@played
async def test_enter_on_a_sentence_asks_to_go_to_its_evidence() -> None:
    async with ListApp().run_test(size=(40, 12)) as pilot:
        await pilot.press("enter")
        assert isinstance(pilot.app, ListApp)
        assert pilot.app.chosen == 1
        assert pilot.app.query_one(StoryList).place == Place(2_047 * S, "packets", 3)


@played
async def test_enter_on_a_sentence_without_evidence_leads_nowhere() -> None:
    async with ListApp().run_test(size=(40, 12)) as pilot:
        await pilot.press("down", "enter")
        assert isinstance(pilot.app, ListApp)
        assert pilot.app.chosen == 0


@played
async def test_another_episode_begins_at_its_top() -> None:
    async with ListApp().run_test(size=(40, 12)) as pilot:
        await pilot.press("end")
        found = pilot.app.query_one(StoryList)
        found.fill(replace(STORY, episode=some_episode("hopper")), 0)
        assert found.cursor == 1
