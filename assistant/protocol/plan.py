"""The exam in one place: the steps, their order, their stopping rules, and every constant they use.

All powers are hundredths of a dioptre, all axes degrees. Where no source is named the value is common practice
(no single source) or a design choice, and says so.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class StepRule:
    """One step of the protocol: its id (used in code, log, report and tests), what it does, and when it ends."""

    id: str
    does: str
    ends: str


# Asked once, before any lens.
SETTING_UP: tuple[StepRule, ...] = (
    StepRule("age", "the patient's age in years", "a number or skip"),
    StepRule("pd", "the interpupillary distance in millimetres", "a number or skip"),
)

# For each eye, right first by custom. A step that has nothing to do is skipped and logged so.
EACH_EYE: tuple[StepRule, ...] = (
    StepRule("entering", "the acuity before a lens is moved", "a line is named, or skip"),
    StepRule(
        "sphere",
        "brings the best sphere near: steps by the line read (either way at once while plainly blurred), halved when a "
        "step no longer helps, plus tried first; minus has to buy a line. Where nothing can be read and no pair leads "
        "on, lines are read through lenses 4 D apart. From a lens through which an eye "
        "may focus, out of fog: the most plus that leaves the line",
        "a step that is small, or small against the blur, helps in neither direction",
    ),
    StepRule(
        "astigmatism",
        "half a dioptre of cylinder at 180, 45, 90, 135: without it, or with it",
        "each pair of opposite meridians is decided; none preferred: no cylinder; skipped from 0.50 D at the start",
    ),
    StepRule(
        "axis",
        "cross cylinder astride the axis: turns toward the minus mark of the preferred side, half as far after a "
        "reversal",
        "both sides equal, or the next turn is below the useful smallest step",
    ),
    StepRule(
        "power",
        "half-dioptre steps of cylinder while two comes at once; half of each change goes into the sphere",
        "half a dioptre helps in neither direction, or the first hesitation",
    ),
    StepRule(
        "sphere_again",
        "a quarter of sphere either way, plus first",
        "a quarter helps in neither direction; skipped, as the two after it, where the eye sees too poorly to tell one",
    ),
    StepRule(
        "axis_again",
        "the axis once more with the fuller cylinder",
        "as axis; skipped if neither the power moved by 0.50 D nor the focus by 0.37 D",
    ),
    StepRule(
        "power_again",
        "cross cylinder on the power for the side, then a quarter of the dial",
        "the cross cylinder's sides are equal or turn back, or the quarter is refused",
    ),
    StepRule("acuity", "the best acuity", "a line is named; too poor a line sends the eye back once"),
    StepRule(
        "over_minus",
        "plus until no letter of the best line can be read; more than three clicks: too much minus was in",
        "the clicks are counted and the sphere is settled",
    ),
)

# `acuity` stands before the over-minus check because the check needs the best line; a check that moves the sphere
# takes the acuity once more.

# Asked besides, where the long intake is wanted (in this order, before those above); otherwise they come from the
# start file or are said when there is something to say.
INTAKE: tuple[StepRule, ...] = (
    StepRule("reason", "the reason for the visit", "words or skip"),
    StepRule("red_flags", "sudden loss, flashes, a curtain, pain, double vision", "none, or skip"),
    StepRule("vertex", "the vertex distance in millimetres", "a number or skip"),
    StepRule("near_pd", "the near interpupillary distance in millimetres", "a number or skip"),
)

# At the end of an eye, each only where it has something to do.
EYE_ENDS: tuple[StepRule, ...] = (
    StepRule(
        "settle",
        "what all answers together leave open: pairs well apart about the lens they point to",
        "little is open (less yet for a young eye with a starting point), or twenty-eight questions",
    ),
    StepRule("duochrome", "red against green, one click at most; only where asked for", "equal, or a reversal"),
    StepRule("cylinder_check", "a cylinder that came down to nothing: without it, or with a quarter", "one answer"),
    StepRule(
        "plus_check",
        "the line through one dioptre of plus, where the eye may focus and sees well; not where it was read already. "
        "Before what is left open is asked, and last where the eye was fogged over the lens it came with",
        "a line is named, or skip",
    ),
    StepRule("pinhole", "the line through a pinhole, where the best acuity is poor", "a line is named, or skip"),
)

# With both eyes. A step that has nothing to do is skipped and its reason said.
BOTH_EYES: tuple[StepRule, ...] = (
    StepRule(
        "balance",
        "both fogged alike, covered in turn: plus to the clearer eye; only where asked for, and where the eyes see "
        "about alike",
        "equally clear, a reversal, or three clicks",
    ),
    StepRule("acuity_both", "the line both eyes read together, after the balance", "a line is named, or skip"),
    StepRule(
        "near",
        "the add, tentative by age or amplitude, a quarter either way at the working distance; from 40 years, or "
        "where asked for",
        "a quarter helps in neither direction, or the range for the age is reached",
    ),
    StepRule("near_acuity", "the line both eyes read at the working distance", "a line is named, or skip"),
    StepRule("intermediate", "the add for the intermediate distance, where asked for", "as near"),
)

# After both eyes.
CLOSING: tuple[StepRule, ...] = (StepRule("read_back", "everything is read back", "confirm"),)

# --- sphere -----------------------------------------------------------------------------------------------------
SPHERE_LOW, SPHERE_HIGH = -2000, 2000  # dial ends, D/100 (design: the common range of a refractor head)
CYLINDER_LOW = -800  # dial end, D/100
SPHERE_STEP_POOR = 100  # plainly blurred: whole dioptres (common practice)
SPHERE_STEP_FAIR = 50  # near the focus already
SPHERE_WIDEST = 400  # the largest step (design)
SPHERE_FINEST_FIRST = 50  # quarters wait until the cylinder is in
SPHERE_FINEST = 25
STEP_IN_BLUR = 0.75  # of the blur the line tells of: the eye stays fogged where it came from fog (design)
COARSE_ENOUGH = 150  # D/100: a step refused both ways that is as small, and small against the blur, ends the search
FOGGED_BELOW = 45  # years; Hofstetter's mean amplitude 18.5 - 0.30 age is 5 D there
COARSE_MOST = 24  # questions of the coarse sphere (design)
SCAN_APART = 400  # D/100 between lenses read through where nothing was read: half of it blurs to 20/100 (MAR as 1 + b²)
SCAN_MOST = 6  # of them, at most (design)
EQUAL_RUN = 2  # equal answers in a row on which plus is taken before the line is read again
DULL_FROM = 4  # equal answers, and half of all pairs: from then on stronger lenses are shown (design)
FOG = 100  # D/100 of plus over a starting lens, to be lost a line by an eye that may focus through it (common practice)
FOG_LOST = 1.4  # the denominator grew by this factor: two chart lines are lost, and plus has to come out again
FOG_BEST = 15  # feet: a smaller line is hardly ever read, and not to be expected again (design)
FOG_MOST = 6  # lines read through fog (design)
NO_ACCOMMODATION_FROM = 60  # years; Hofstetter's mean amplitude 18.5 - 0.30 age is 0.5 D there
MINUS_RUN_FINE = 2  # lenses of minus taken before the line must show a gain
WORSE_BY = 1.3  # a line is worse when its denominator grew by this factor: a chart line and a bit
POOR = "20/70"
# From this line on no quarter is looked for where all answers are weighed: 0.50 D is what it just tells (the
# denominator in hundredths of a dioptre; common practice). It is the eye's own line if read this near, in dioptres.
NO_QUARTERS_FROM, NEARLY_THIS_LENS = "20/50", 0.5

# --- astigmatism ------------------------------------------------------------------------------------------------
TRIAL_CYLINDER = -50
TRIAL_CYLINDER_POOR = -100  # from plan.POOR on: half a dioptre hardly shows through that blur (design)
TRIAL_CYLINDER_MOST = -200
EQUAL_TRIALS = 3  # of four meridians answered "the same": the trial is shown once more, stronger (design)
TRIAL_MERIDIANS = (180, 90, 45, 135)  # opposite meridians together, so that one answer can settle two
CYLINDER_TO_START_FROM = -50  # at this or more at the start, there is astigmatism

# --- axis -------------------------------------------------------------------------------------------------------
CROSS_POWER = 25  # +-0.25 D cross cylinder
CROSS_POWER_MOST = 100  # for eyes that small steps do not reach
CROSS_POWER_POOR = 50  # from plan.POOR on (common practice)
AXIS_FIRST_TURN = 16  # degrees; halves to 8, 4, 2, 1
AXIS_AGAIN_TURN = 8
AXIS_ROUND = 90  # degrees: no axis is farther off than this, whichever way it is looked for
FOCUS_MOVE_FOR_AXIS = 0.375  # dioptres: out of focus, the cross cylinder's two sides look alike (design)
POWER_MOVE_FOR_AXIS = 50  # the axis is refined again if the cylinder moved by this much (common practice)

# --- cylinder power ---------------------------------------------------------------------------------------------
POWER_FIRST_STEP = 50
POWER_STEP_POOR = 100  # from plan.POOR on: half a dioptre hardly shows through that blur (design)
POWER_FINEST = 25
HESITATIONS_IN_RANGE = 2  # hesitant "two"s that mean the range is reached; a single one may be a slow patient

# --- all answers together ---------------------------------------------------------------------------------------
WEIGHED_APART = 0.06  # dioptres (length of the power vector) worth turning the dials for: half a quarter of cylinder
CYLINDER_KNOWN = 0.085  # dioptres, standard deviation of J0 and J45: the cylinder is not looked at again (design)
# Standard deviations of M toward plus, for an eye that may focus, and for one that focuses through a starting point of
# too much minus: by so many dioptres, its answers say (set by simulation).
PLUS_SHARE, PLUS_SHARE_OVER, OVER_MINUSED = 0.25, 1.1, 0.35
WEIGHED_OPEN = 1.5  # dioptres (length of the standard deviations) from which on the answers point nowhere
WEIGHED_FEW = 0.5  # and from which on few answers do
# What still is open at the end of an eye, standard deviations in dioptres: above, the most telling questions are asked.
SETTLED_M, SETTLED_J = 0.19, 0.105
# M is to be within a click of the lens, rounding included, by so many standard deviations, which need not be smaller
# than so many dioptres: by more where an eye that may focus sees well through what it began from, and by still more
# where that had too much minus (set by simulation).
CLICK_DEVIATIONS, CLICK_DEVIATIONS_YOUNG, CLICK_DEVIATIONS_OVER, CLICK_FINEST = 1.0, 1.8, 2.4, 0.06
SETTLE_MOST = 28  # such questions an eye (design)
SETTLE_SPHERE_WORTH = 2.0  # variances of the astigmatism that one of M is worth: too much minus hides in M (simulation)
SETTLE_PAIR_MOST = 2  # times that the same pair is shown (design)
SETTLE_PLUS, SETTLE_MINUS = (0, 25, 50, 75, 100, 125, 150, 200), (0, 25, 50, 100, 150, 200)  # D/100 from the lens
SETTLE_CROSSES = (25, 50, 100)
SETTLE_FOGS = (0, 50, 75, 100, 150, 200, 250)  # D/100 of plus through which a line is read

# --- the pace led by evidence -----------------------------------------------------------------------------------
# By step: the standard deviation (dioptres) at which enough is known, and the most pairs (both set by simulation).
LED_ENDS: dict[str, tuple[float, int]] = {
    "astigmatism": (0.40, 4),
    "axis": (0.25, 2),
    "power": (0.25, 2),
    "sphere_again": (0.50, 1),
    "axis_again": (0.30, 1),
    "power_again": (0.30, 1),
}
LED_DEVIATIONS = 1.3  # as CLICK_DEVIATIONS: fewer questions came before
LED_SPHERE_END = 0.45  # of M: the coarse sphere goes by the book, and ends here at the latest
LED_SPHERES = (25, 50, 100)  # D/100, to one side of the lens or to both
LED_TRIALS = (-50, -100, -200)  # trial cylinders, D/100
LED_CROSSES = (25, 50, 100)
LED_POWERS = (25, 50)

# --- over-minus check -------------------------------------------------------------------------------------------
CLICKS_EXPECTED = 3  # a correct sphere takes three quarter clicks of plus (common practice)
# Clicks tried in turn while the line stays readable; the count is then closed in to one click.
CLICK_STEPS = (3, 4, 6, 10, 18, 34, 66)
CLICKS_WEIGHED = 4  # one click too many is within the check's own spread: the pair decides
CLICKS_FIRM = 6  # as above where a quarter more minus was plainly worse, which focusing through it cannot be
CHECK_LINE = "20/20"
CHECK_SAYS_LITTLE = "20/50"  # a large letter stands more blur: from this line on the count is recorded, nothing moved
CHECK_LINE_NEARLY = "20/30"  # an eye that reads this may be held back by the lens: the check line is shown all the same

# --- one dioptre of plus over the lens -------------------------------------------------------------------------------
PLUS_CHECK = 100  # D/100
# 6/12 to 6/18 through it over the right lens; better suggests too little plus (Optometry in Practice 2004;5(4)).
PLUS_CHECK_USUAL = ("20/40", "20/60")

# --- both eyes and near ------------------------------------------------------------------------------------------
BALANCE_FOG = 75  # both eyes, D/100 (clinical procedures handbook, steps 34-40)
BALANCE_CLICKS = 3  # of plus to one eye, at most: more is no balance but a wrong sphere (design)
ALIKE = 1.3  # denominators of the two lines within this factor: about a line apart, the eyes see about alike
NEAR_FROM_AGE = 40  # years; younger patients are asked for near only on request
ADD_STEP = 25  # D/100
ADD_FROM_TENTATIVE = 50  # D/100; tentative adds miss by more at the 95 % limits (Arq Bras Oftalmol 2013;76:218-220)
WORKING_DISTANCE = 40  # centimetres (common practice)
INTERMEDIATE_DISTANCE = 67  # centimetres, a screen at arm's length (common practice)
DUOCHROME_NOT_BELOW = "20/30"  # red and green tell nothing below this line

# --- instrument and setting up -----------------------------------------------------------------------------------
AGE_ANSWERS = 5  # years; younger, nobody is refracted by questions (design): such an age is asked for once more
VERTEX_LOW, VERTEX_HIGH = 0, 20  # millimetres; heads and frames stand at 10 to 16, a contact lens at 0
# PD: Dodgson, Proc SPIE 2004;5291: most 50-75 mm, almost all adults 45-80, children from 40.
PD_USUAL = (50, 75)
PD_ADULT = (45, 80)
ROTATION_BEHIND_LENS = 27  # millimetres from the spectacle plane to the eye's centre of rotation (common practice)
RED_FLAGS = {
    "sudden_loss": "sudden loss of vision",
    "flashes": "flashes or floaters",
    "curtain": "a curtain or shadow",
    "pain": "pain in the eye",
    "double_vision": "double vision",
}

# --- cautions at the end (the cut-offs are design choices) -------------------------------------------------------
CHANGE_TO_ADAPT = 0.75  # dioptres along any meridian, against the start
SWING_TO_ADAPT = 15  # degrees of axis, where the cylinder is at least:
SWING_CYLINDER = 75  # D/100
ANISOMETROPIA = 1.00  # dioptres of spherical equivalent between the eyes
LINES_APART = 0.2  # logMAR: two lines

# --- whether the answers fit together (design, by simulation) ----------------------------------------------------
RUN_OF_ONE = 7  # answers in a row for the same position, then a pair is repeated in reverse order
RUN_IN_TURN = 8  # "one", "two", "one", "two" ..., likewise
CATCHES_MOST = 3  # repeated pairs an eye
CATCH_APART = 4  # answers between them
ONE_SIDED = 0.8  # share of the answers for one position
PLAIN = 0.40  # dioptres of blur between the lenses of a pair worth repeating; more for an eye that sees poorly
CONTROL_MOST = 300  # D/100 of plus too much in a control pair: 1.00 D at 20/20, more for an eye that sees poorly
CHOICES_TO_JUDGE = 5  # an eye with fewer is not judged by its answers
LOOKS_TO_JUDGE = 8  # choices and letters an eye, from which on looking is told from habit
NO_PREFERENCE = 6  # choices an eye, and not one of them preferred
TOO_FAST = 0.3  # seconds from the end of the question: the lens has not been seen
TOO_FAST_TIMES = 3
# How an eye answers that the final lens makes sharp, dioptres of blur and logMAR:
FIT_SPREAD, FIT_SPREAD_IN_BLUR, FIT_SAME = 0.10, 0.15, 0.08  # of a choice, more with blur; the "same" zone
FIT_LINE_SPREAD, FIT_LINE_SPREAD_IN_BLUR = 0.15, 0.10  # of a line read
FIT_CHART = 1.2  # logMAR from the smallest line to the largest: a line by chance is any of them
FIT_NAMED = 0.2  # share of pairs seen alike where one lens is named all the same
FIT_STRAY = 0.10  # share of answers that say nothing
FIT_AGAINST = 0.2  # an answer this much less likely than by chance speaks for another lens
# Natural logarithm of how much likelier the answers are from such an eye than by chance: at least, and at least
# for each answer. Less than FIT_LEAST and they do not fit; less than FIT_SURE and a pair is repeated before the
# eye is done. Where there was a starting point, there are fewer answers to speak for the lens.
FIT_LEAST, FIT_LEAST_GIVEN = (6.0, 0.30), (3.0, 0.25)
FIT_SURE, FIT_SURE_GIVEN = (11.5, 0.38), (8.5, 0.38)
# Bits of evidence that somebody looked at the lenses: at least; at least where the answers fit the lens well; and such
# that no pair need be repeated.
BITS_LEAST, BITS_LEAST_SURE, BITS_SURE = 2.5, -5.0, 6.0
LENS_OPEN = 0.1  # chance that the eye needs a lens more than half a dioptre away, from which on the draft says so
FATIGUE_ANSWERS = 5  # timed answers in the first and in the last third, at least
FATIGUE_TIMES, FATIGUE_SECONDS = 2.0, 2.0  # the last third slower by this factor, and by so many seconds

# --- safety nets ------------------------------------------------------------------------------------------------
GOOD_ENOUGH = "20/30"  # a best line poorer than this sends the eye back once
NO_LINE = "20/800"  # stands for "cannot read any": poorer than the largest line of a chart
REFER_BELOW = "20/40"  # design choice
QUESTIONS_MOST = 76  # an eye's questions, re-asked ones counted; then its best so far stands, flagged
ASKED_MOST = 80  # and no question is put again beyond so many
UNCLEAR_BEFORE_ASKING = 2  # utterances outside the grammar before the question is put again
MISSES_BEFORE_TYPING = 3  # doubtful or silent tries, then the examiner is asked to type or say the command
MISSES_BEFORE_MOVING_ON = 6  # then the step is left, flagged
MISSES_BEFORE_ENDING = 20  # at the read-back: then the draft is given out unconfirmed


def focuses(age: float | None) -> bool:
    """Whether an eye of this age in years may focus through far too much minus; one of unknown age (None) may."""
    return age is None or age < FOGGED_BELOW


def accommodates(age: float | None) -> bool:
    """Whether an eye of this age in years may focus through any too much minus at all; one of unknown age may."""
    return age is None or age < NO_ACCOMMODATION_FROM


def useful_turn(cylinder: int) -> int:
    """Smallest useful turn of the axis in degrees for a cylinder (D/100): the error that costs about 0.12 D.

    14, 7, 5, 3, 2 degrees for a cylinder to 0.25, 0.50, 0.75, 1.50 and above (ANSI Z80.1-2015 axis tolerances).
    """
    for limit, turn in ((25, 14), (50, 7), (75, 5), (150, 3)):
        if -cylinder <= limit:
            return turn
    return 2
