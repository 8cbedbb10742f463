"""The words of the trade as this program uses them, in the order in which one meets them.

The page of words shows them; the tests hold them against the papers, so that one idea keeps one name.
"""

from typing import NamedTuple


class Word(NamedTuple):
    """A word, and what it means here in a sentence or two."""

    word: str
    means: str


WORDS = (
    Word("item", "What is reordered: a material in a colour, of one diameter. The books call it an article."),
    Word("spool", "One reel of an item with a label of its own. A refill is a new spool with a new label."),
    Word("left", "What is on a spool now: everything that was booked on it, added up."),
    Word("reel, tare", "What plastic is wound on, and what it weighs empty."),
    Word("place", "A shelf, a drawer, a dry box or a dryer, with a label to scan."),
    Word("machine, feed", "A printer, and one position on it that takes a spool."),
    Word("loading", "One spool on one feed from a moment until a moment."),
    Word("stand by", "A spool waits on a feed whose holder goes over to it by itself when the other ends."),
    Word("job", "A print run on one machine: planned, running, or ended good, failed or stopped."),
    Word("ticket", "The label of a job. Scan it with a feed to begin the job, with a card to end it."),
    Word("motion file", "What a machine prints from. Its plastic is metered from its moves."),
    Word("committed", "Grams that planned and running jobs will need of an item."),
    Word("draw", "Grams that a job took from a spool: good, or waste with its cause."),
    Word("open draw", "A draw whose spool nobody named yet. It counts for its item once that is known."),
    Word("weighing", "A reading of a scale, with the reel. The books follow the scale."),
    Word("rest", "What is left on an opened spool and is less than a usual job of its item."),
    Word("walk", "A count along the shelves with a scanner. Nothing is booked before it is settled."),
    Word("set aside", "A spool or lot that may not be loaded until a person decides."),
    Word("substitute", "Another item that the owner accepts in the place of one."),
    Word("out of the dry store", "Hours that a thirsty spool was in the air since it was dried last, or opened."),
    Word("days of stock", "How long what is left will last: in the middle, and in eight cases of ten."),
    Word("run-out", "The day on which an item ends, as far as is known today."),
    Word("order-by", "The last day on which an order still comes in time, at the chance that is accepted."),
    Word("foresight", "What you know ahead and the past cannot: a season, a product that ends, a closed day."),
    Word("supplier, offer", "Who sells, and one item of theirs at one price and spool size."),
    Word("break, pack", "A cheaper price from a quantity; spools that are sold together only."),
    Word("lead time", "The days from an order until it comes, as the supplier's deliveries took."),
    Word("needed by", "The last day on which an order still comes before one of its items may be out."),
    Word("takings", "What the shop sold for, by day and channel, net of recoverable tax."),
    Word("material share", "The cost of the plastic that was drawn, over the takings of the same days."),
    Word("spend share", "The cost of the plastic that was bought, over the takings of the same days."),
    Word("true cost", "What a kilogram costs that came off a machine as good parts."),
    Word("stop", "Hours in which a machine stood still for want of a spool."),
    Word("act", "One thing that one person, station or program did, with all that it booked. It is undone as a whole."),
    Word("station", "A shared device at a bench that stays signed in and scans."),
    Word("notice", "What is sent to somebody who does not look: a digest in the morning, or a warning."),
)
