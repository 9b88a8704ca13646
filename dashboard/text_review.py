"""The words of the pages review and losses."""

from __future__ import annotations

TITLE, LOSSES_TITLE = "Review", "Losses"
ASK = "What did the climate do before a colony died, and did its siblings that lived see the same?"
CHOOSE = "Choose a nest. Of several that died, tick two or more and look at them together."
SEARCH = "Search nest, species or rack"
DIED, LIVING = "Died", "Living"
NO_NESTS = (
    "No nest is known yet. Bring nests in, and when a colony dies, note it: here and on the nest's page you then see what the"
    " climate did before."
)
NO_NESTS_COMMANDS = "nestclimate import nests nests.csv\nnestclimate journal add A-01 died"
NO_DEATHS = "No colony has died. When one does, note it on its nest's page or with"
NO_DEATHS_COMMAND = "nestclimate journal add A-01 died"
UP_TO, DAYS_BACK, LOOK, TOGETHER = "Up to", "Days back", "Look", "Look at those ticked together"
REVIEW = "review"
AGAIN = "Another nest, day or length"
SAVE, SAVE_DATA = "Save the report", "Save the data (CSV)"
BESIDE, BESIDE_WHICH, BESIDE_DAY = "Hold beside", "Other nest", "its last day"
SAME_NEST = "the same nest, earlier"
BESIDE_HINT = "Without a day: the same days; of the same nest, a year before."
NEST_PAGE = "Page of {nest}"
BAD_DAY = "{day}: allowed is a day such as 2026-04-01."
BAD_DAYS = "{days}: allowed is 1 to 365 days."
WORKING = "This takes a moment. The page shows the answer by itself."
FAILED = "The answer could not be fetched: load the page again."
LOSSES_ASK = "How long do colonies live, where do most die, and does harsh air go before it?"
BY, FROM, TO = "Compare by", "From", "To"
LOSSES_EMPTY = (
    "No colony was watched in this time. Losses are counted from nests and from deaths in the journal; those that live count"
    " too, so bring all nests in:"
)
