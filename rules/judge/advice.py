"""Advice that several rules give in the same words."""

JAR_TEST = (
    "Jar test: mix it at the line's dilution with your own water, cover it, and look after 2 hours and next "
    "morning; cloud, flakes or film means no."
)
BUCKET_JAR_TEST = (
    "Jar test: mix it in a jar at the bucket's full strength with your own water, cover it, and look after 2 hours "
    "and next morning; cloud, flakes or film means no."
)
IN_A_JAR = "Try it in a jar at full strength in the cold: what settles is what the bucket would lose."
#: Advice to mix a little of it and look: never where that could set a gas free.
JARS = frozenset({JAR_TEST, BUCKET_JAR_TEST, IN_A_JAR})
IF_MIXED = (
    "If it is mixed already: step back, upwind; add nothing, not even water; keep others away and call the emergency "
    "services or poison control."
)
PROTECT = "Goggles, gloves, water to rinse at hand; out of doors, or with a strong draft."
TWO_BUCKETS = "Use two buckets, one after the other, and flush the line with clear water in between."
#: What takes its place where every split was tried and none is good.
MORE_BUCKETS_DO_NOT_HELP = (
    "Buckets apart do not help here: some of it is trouble by itself. Leave that out, or pour another source."
)
#: Products of a pour up to which splits are looked for without being asked for: of three 7 sets are checked, of six 63.
SPLIT_UNASKED = 3
#: What takes its place where only one product is poured.
OTHER_WATER = "Mix this bucket with rain or soft water, or pour less of it into the same water."
FLUSH = "Flush with clear water until the last emitter runs clear; do not leave feed standing in the line."
CHECK_INPUT = "Check amounts and water test for a typing error."
DEFER = "Follow the product label, the safety data sheet and local codes; they come before this answer."

#: Filter of a drip [mesh]: coarser than this lets through what closes emitters (common practice, no source).
LEAST_MESH = 120
#: Parts of water per part of stock that injectors of small farms reach (common practice, no source).
STRONGEST_RATIO, WEAKEST_RATIO = 10.0, 1000.0
#: A temperature of water or line can be kept within so much [degC] (design choice).
KEPT_WITHIN_C = 1.0
