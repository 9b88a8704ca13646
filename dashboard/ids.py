"""Component ids, unique over all Dash pages."""

NEST_ADDRESS = "nest-address"
NEST_DAYS = "nest-days"
NEST_CHART = "nest-chart"
NEST_FACTS = "nest-facts"
NEST_TICK = "nest-tick"
NEST_TITLE = "nest-title"
NEST_EMPTY = "nest-empty"
