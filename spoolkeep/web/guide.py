"""What each page is for, in two sentences, and the page of words.

The app factory registers it, and gives every page its sentences. A page without them fails a test.
"""

from flask import Blueprint, render_template, request

from spoolkeep.domain.glossary import WORDS

pages = Blueprint("guide", __name__, url_prefix="/words")

HELP = {
    "today.page": "What needs a person today, the worst first, each with its one act. What is settled goes by itself.",
    "firsthour.page": (
        "A new workshop's first hour, step by step: its name, machines, places, what lies on the shelves, labels, "
        "a count. Each step can be skipped and taken up again; what is done shows itself."
    ),
    "bench.page": (
        "Scan a spool and the feed or place it goes to, in either order; a ticket and a card end a job. "
        "The picture shows until when each loaded spool lasts, up to tomorrow's opening."
    ),
    "count.page": (
        "Scan a place, then every spool that lies there, and the next place. "
        "Settling says where each is; what was not seen keeps its grams unless you write it off."
    ),
    "tonight.page": (
        "Whether each loaded spool lasts until somebody comes again, and how surely. "
        "What will not last stands first, with what to load instead and where it lies."
    ),
    "stock.page": (
        "One row an item, the one that ends first at the top. "
        "The strand thins as stock is used and fades where we are unsure."
    ),
    "stock.item": (
        "One item: how long it lasts and why, its spools, its offers, and what may stand in for it. "
        "The days behind every figure open under it."
    ),
    "ahead.page": (
        "Say what the past cannot know: a season, a product that ends, something new, closed days. "
        "Days of stock and order-by days go by it at once."
    ),
    "ahead.track_record": (
        "The forecasts of the last weeks beside what came, and beside a plain mean. "
        "It shows how far to trust the days of stock."
    ),
    "rests.page": (
        "Opened spools with less on them than a usual job needs, and what each would still do for. "
        "What is only scrap is thrown away by one press."
    ),
    "spools.page": (
        "One spool: what is left, where it is, and all that was booked on it. "
        "Weigh it, count it, or take back an act of its history."
    ),
    "spools.made_from": (
        "Every job that was made from this spool, and from the others of its lot. "
        "For when a lot turns out bad and somebody must be told."
    ),
    "jobs.page": (
        "Plan a job from its motion file, start it, end it, or book one that is done. "
        "Under it are draws without a spool, machines that stand still, and what ended."
    ),
    "jobs.ending": (
        "Say how a job ended, and where, if it failed. "
        "It is charged what its file had drawn by then, or the grams that you enter."
    ),
    "jobs.failing": (
        "Failed jobs and wasted grams by machine, material, supplier and lot, with bounds for chance. "
        "Below is what motion files do not tell, and the waste bin that settles it."
    ),
    "onhand.page": (
        "What your customers ordered and wait for, and what it asks of each item. "
        "It counts before it is printed, so that a rush is seen in time."
    ),
    "standing.one": ("One stop: when it began, when it ended, and why. Mend it here, or say that it was none."),
    "standing.costs": (
        "Hours in which machines stood still for want of a spool, and what they would have earned. "
        "By month and by item, so that a dearer shelf can be held against it."
    ),
    "deliveries.page": (
        "Scan an order or a maker's barcode and book in what came. "
        "Every spool gets a code, and the labels open at once."
    ),
    "deliveries.one": (
        "One delivery with its spools, and their labels to print again. What is still to come stands beside it."
    ),
    "orders.page": (
        "What to order now, from whom and why, and what can wait. "
        "Change a number and see days, risk and sums move; one press drafts an order a supplier."
    ),
    "orders.one": (
        "One order: its lines, its sheet and its mail. "
        "Say when it is sent, promised, short or called off; what comes is booked under Deliveries."
    ),
    "suppliers.page": (
        "How long a supplier's deliveries took, beside what you say, and what it asks of an order. "
        "Change its terms, order days and closed days here."
    ),
    "money.page": (
        "What plastic costs beside what the shop sells for, by month. "
        "The chart says whether a month differs by more than chance."
    ),
    "money.products": (
        "What the jobs of each product drew, beside what it sold for. It is as good as the products that jobs name."
    ),
    "money.why": (
        "Why the material share moved between two spans of days: price, waste, mix, and plastic per takings. "
        "The parts add up to the change without a remainder."
    ),
    "money.behind": ("The jobs and deliveries behind one item's part of the change. Each leads to its own page."),
    "books.page": (
        "What stock was worth, what came and what went, month by month, to the cent. "
        "A closed month stays as it is; what comes late falls in the open one."
    ),
    "books.one": (
        "One month's books: opening, bought, used, differences, written off and closing. "
        "Take it as CSV or XLSX for whoever keeps your accounts."
    ),
    "buys.page": (
        "What a good kilogram truly costs, offer by offer: price, freight, time, cash, failures and machine hours. "
        "It says whether two are told apart at all."
    ),
    "worth.page": (
        "What a bargain saves in a month after cash, room and your time. "
        "Above it stands the most that plastic could ever save."
    ),
    "setup.page": (
        "The workshop's lists and settings: machines, places, items, suppliers, offers, products. "
        "Everything that is changed here can be taken back under Acts and undo."
    ),
    "setup.last_acts": ("What was done lately, by whom and where. Undo takes back a whole act; an undo can be undone."),
    "setup.program_doors": (
        "What scripts may send and ask, door by door. A script needs a token from People and devices."
    ),
    "setup.all_offers": ("Every offer that holds, by item and price. Give one a last day here, or withdraw it."),
    "machines.page": (
        "What one machine can take, and what a change of plastic purges on it. "
        "A spool that is scanned onto it is held beside this."
    ),
    "mending.item": (
        "Change what an item is called and looks like, retire it, or merge it where it was entered twice. "
        "What was booked stays as it is, and former names still find it."
    ),
    "mending.named": ("Change a name, or retire what is no longer there. Labels that are printed keep their codes."),
    "mending.spool": ("Move a spool that was booked under the wrong item. Its demand goes with it, its cost stays."),
    "columns.page": (
        "What each column of the files means that the lists are taken away as. "
        "Grams, days and dates are written as the column's name says."
    ),
    "materials.page": (
        "How each material is dried, kept and handled, with the source of what is said. "
        "A maker's sheet comes first: put its figures in the place of ours."
    ),
    "labels.page": (
        "Labels of places and feeds, and the bench cards. "
        "Enter your own label stock here, and measure it in its printer."
    ),
    "imports.page": (
        "Bring in a sheet that you keep: spools, jobs, takings and the lists. "
        "Nothing is booked before you have looked at what it would do."
    ),
    "imports.one": (
        "What each column of the sheet is, and what booking it would do. Every bad row is named with its line."
    ),
    "people.page": (
        "Who may come in, and as what: people, stations at a bench, and programs. Each is signed out here by one press."
    ),
    "notices.page": (
        "Who gets a digest in the morning, and warnings, by mail or webhook. Nothing is sent until somebody is entered."
    ),
    "me.page": "Your own sign-in: your password and your devices. A link lets your phone in without it.",
    "search.page": (
        "Items, spools, machines, jobs, orders, deliveries, products and places by name, lot or code. "
        "Scan any label here and its page opens."
    ),
    "wall.page": (
        "Machines and what ends first, for a screen that everybody passes. "
        "It keeps itself up to date, and needs no hand."
    ),
    "guide.words": (
        "The words of the trade as these pages use them. One idea has one name, on every page, label and file."
    ),
}
"""By endpoint: two sentences."""


@pages.get("")
def words() -> str:
    """Show the words."""
    return render_template("words.html", words=WORDS)


def help_of_page() -> str:
    """Give what the page that is asked for is for; nothing of one that is none, or of an error."""
    return HELP.get(request.endpoint or "", "")
