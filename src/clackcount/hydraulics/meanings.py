"""What the findings about sound and site file together mean: one row a code.

The directions are those of the drive column at unchanged tuning: slower with less head, more friction, a longer
stroke or more weight; faster with the contrary; delivery pressure only touches the short pumping phase.
"""

from __future__ import annotations

from clackcount.hydraulics.measurement import CAUTION_PRESSURE
from clackcount.model import Basis, Meaning, Severity
from clackcount.model.cautions import AT_THE_VALVE, EVERYWHERE, PRESSURE

AIR = "air in the drive pipe"
COLUMN = "drive column at unchanged tuning; direction of stroke and weight: Siwinda 2011"

MEANINGS = (
    Meaning(
        code="rate-below-site",
        severity=Severity.WATCH,
        title="Beats slower than this site should",
        means=(
            "The beat heard lies below the band that heads, pipe and valve of the site file allow. Either the column "
            "gathers speed more slowly than written, or it must gather more before the valve shuts."
        ),
        next="Measure the drive head again, then look at strainer and valve stroke.",
        basis=Basis.INFERENCE,
        source=COLUMN,
        causes=(
            "less drive head than written: source level down, intake pool drawn low",
            "more friction: strainer, intake or drive pipe part blocked",
            "longer valve stroke or more weight than when the site file was written",
        ),
        cautions=EVERYWHERE,
    ),
    Meaning(
        code="rate-above-site",
        severity=Severity.WATCH,
        title="Beats faster than this site should",
        means="The beat heard lies above the band that heads, pipe and valve of the site file allow.",
        next="Measure the valve stroke and check weight, spring and lock nut, then the drive head.",
        basis=Basis.INFERENCE,
        source=COLUMN,
        causes=(
            "more drive head than written: source risen",
            "shorter valve stroke, lost weight or weaker spring: look for a nut that has turned",
        ),
        cautions=EVERYWHERE,
    ),
    Meaning(
        code="shut-longer-than-site",
        severity=Severity.WATCH,
        title="The waste valve stays shut longer than the site explains",
        means=(
            "While the valve is shut the column pumps, and the less it pumps against the longer that takes. It was "
            "heard to take longer than the delivery head of the site file allows."
        ),
        next="Read the pressure at the ram, and look along the delivery line.",
        basis=Basis.INFERENCE,
        causes=(
            "delivery head lower than written: line leaking, not yet full, or tank lower",
            AIR,
            "waste valve slow to drop: stem stiff or worn",
        ),
        cautions=AT_THE_VALVE,
    ),
    Meaning(
        code="shut-shorter-than-site",
        severity=Severity.WATCH,
        title="The waste valve stays shut for less time than the site explains",
        means="The column is stopped sooner than the delivery head of the site file would stop it.",
        next="Check that the delivery valve is fully open and the delivery head is as written.",
        basis=Basis.INFERENCE,
        causes=("delivery head higher than written, or delivery valve part shut", "delivery valve slow or leaking"),
        cautions=(PRESSURE,),
    ),
    Meaning(
        code="delivery-over-bound",
        severity=Severity.WATCH,
        title="More water per beat than the drive column can give",
        means="The catch is more than the column could lift without loss: something is written or read wrong.",
        next="Check delivery head, drive head, bore and length in the site file, and the catch.",
        basis=Basis.INFERENCE,
        causes=("delivery head written too high", "drive pipe wider or longer than written", "catch misread"),
    ),
    Meaning(
        code="delivery-below-site",
        severity=Severity.WATCH,
        title="Little water per beat for the speed the column reaches",
        means="The column arrives with more motion than the water caught accounts for, usual losses allowed.",
        next="Catch the water at the ram's outlet and at the tank: if they differ, the line leaks.",
        basis=Basis.INFERENCE,
        causes=(
            "water lost on the delivery side: delivery valve leaking, snifter too large, line leaking",
            "air vessel waterlogged",
            AIR,
        ),
        cautions=(PRESSURE,),
    ),
    Meaning(
        code="efficiency-over-one",
        severity=Severity.ACT,
        title="More energy out than in: one of the measurements is wrong",
        means="Water lifted times height exceeds water used times fall, which no pump does.",
        next="Was the delivery head measured from the source? Was all of the waste caught? Check the heads first.",
        basis=Basis.PUBLISHED,
        source="definition of the efficiency by D'Aubuisson",
    ),
    Meaning(
        code="drive-flow-over-supply",
        severity=Severity.WATCH,
        title="The ram drinks more than the supply gives",
        means="What the beats use, by the site file, is more than the supply written there: the intake draws down.",
        next="Watch the intake level; shorten the stroke or lighten the valve before it sucks air.",
        basis=Basis.COMMON_PRACTICE,
        causes=("tuned for more water than there is", "supply higher than written"),
        cautions=EVERYWHERE,
    ),
    Meaning(
        code="head-beyond-reach",
        severity=Severity.ACT,
        title="The hammer does not reach the delivery head",
        means="The pressure that stopping the column can make is below what it takes to lift water so high.",
        next="A longer stroke or more weight, more fall, a stiffer pipe, or a lower tank.",
        basis=Basis.INFERENCE,
        causes=(AIR, "valve shuts too early for this lift"),
        cautions=AT_THE_VALVE,
    ),
    Meaning(
        code="pressure-over-rating",
        severity=Severity.WATCH,
        title="The hammer may go above the rating of the drive pipe",
        means="The peak reckoned from the column's speed and the pipe's wave speed passes the rating written.",
        next="Use pipe rated for the peak, or let the valve shut earlier (shorter stroke, less weight).",
        basis=Basis.PUBLISHED,
        source="Joukowsky's pressure rise, without air",
        cautions=(CAUTION_PRESSURE, *AT_THE_VALVE),
    ),
    Meaning(
        code="air-suspected",
        severity=Severity.WATCH,
        title="Slams growing weaker and uneven, as with air in the drive pipe",
        means="A little air in the column makes it springy: the hammer softens and no two beats are alike.",
        next=(
            "Is the intake well under water? Hold the waste valve shut, let bubbles rise to the source, start again."
        ),
        basis=Basis.PUBLISHED,
        source="Pearsall: one part of air in 10,000 halves the wave speed",
        causes=("intake sucking air", "leaking joint", "snifter too large", "pipe not bled or with a high spot"),
        cautions=EVERYWHERE,
    ),
    Meaning(
        code="heard-fits-site",
        severity=Severity.INFO,
        title="What was heard fits the site file",
        means="Rate, phases and water lie within the bands that the site file allows, where they could be compared.",
        next="Nothing to do.",
        basis=Basis.INFERENCE,
    ),
)
MEANING = {meaning.code: meaning for meaning in MEANINGS}
