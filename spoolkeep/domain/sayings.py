"""Every sentence and word that the Bench and the count can say, in English, with what is filled in between braces.

A workshop's own words are held against it (`domain/speech`). A sentence that a service says and that is not here is
said in English; tests/domain/test_speech.py finds it in the services' source.
"""

_TEXT = """
# Headings and buttons
Scan a spool, and the feed or place it goes to
Scan a place, then its spools
Works with a scanner or the keyboard: end with Enter.
Enter
Keyboard
Photo of a label
Send it
Throw them away
Refused while nobody looked
Seen to
Heard
Refused
Look
Stop
Undo
Do it again
Book it in
Last here
undone
waits
{what}: the other half of this scan, within a minute.
{station}: who is it?
Nobody named
Until tomorrow’s opening
Count
Settle the count
Drop the count
Not seen yet
Here, and not by the books
Here, as the books say
Write off
Nothing is here, and the books say the same.
No count is under way. The first place that is scanned begins one.
A machine that runs alone can start a fire. Follow its maker’s sheet and local codes before you leave one by itself.

# Machines and their feeds
No spool
STOP
Is this meant?
Mind
Feed {position}.
Keep it on
Another reason
The job was changed
Only a test
The label is wrong
stands still
no spool
is this meant?
may not last
weigh a spool
running
lacks {items}

# What a scan did
Now scan {what}.
a spool
a feed
a place
an order
a job ticket
a bench card
a feed or a place
a spool, or a job's ticket
the feed of its machine to start it, or came off good, or bad
the digits, then weigh
a feed or a job ticket
a feed or a spool
Now scan the place it goes to.
{spool} is on {feed}.
It came off {feed}.
{spool} is on {feed} already.
{spool} stays on {feed}: it is meant.
It stays on {feed}: {why}.
{spool} stands by on {feed}.
{spool} stands by on {feed} already.
{spool} is at {place}.
{spool} is in {place}.
It is dry from {when}.
Set about {degrees} °C, or what its maker's sheet says.
{item} is in there too, and may soften at that.
It is in {place} until {when}.
{spool} that was there goes back to {place}.
{spool} that was there has no place yet: scan it, and the place it goes to.
“{job}” still runs on {machine} by the books, without it.
Scan both once more if it is meant.
{spool} is wound on the reel of {code}, {grams} g empty.
{spool} ran out. Nothing is left on {code}.
{spool} ran out, and {other} takes over.
{spool} has no place of its own yet.
{spool} is back at {place}.
{spool} is set aside: not to be used until somebody lets it go.
Scan both once more for all of lot {lot}.
Set aside: {spool}, all of lot {lot}.
Set aside: {what}. It may not be loaded until it is let go.
{spool}: {gross} g on the scale, {left} g left.
{spool}: {digits} g. Weigh books it.
{job}: {digits} per cent. Came off bad books it.
Its reel was never weighed: {reels} were taken off.
“{job}” came off good: {grams} g drawn.
“{job}” came off bad: {grams} g drawn.
All its plastic is booked. If less was printed, undo, and scan the per cent first.
{spool} gave more than was left: weigh it.
A feed had no spool by the books: name it under Jobs.
“{job}” runs on {machine}.
“{job}” runs on {machine} once more.
{feed} needs {needs} g and has {left} g: it will not last.
{feed} needs {needs} g and probably has {low} to {high} g: it may not last. Weigh it.
{what} is let go. Nothing was booked.
Nothing waits.
Undone: {what}.
Done again: {what}.
Order {code} from {supplier}: 1 spool is awaited. Book in what came.
Order {code} from {supplier}: {spools} spools are awaited. Book in what came.
Order {code} from {supplier} is {state}: nothing more is awaited of it.
{digits} is a maker's code for {item}. Book it in under Deliveries, or scan our own label.
{digits} is a maker's code, and no offer has it yet. Scan our own label on the reel.

# What is not right about a spool
STOP: it is set aside and must not be used until a person decides.
It is set aside and must not be used until a person decides.
What stands by is set aside and must not be used until a person decides.
What stands by is {one}, and {other} is in use.
By the books it is empty: weigh it.
By the books what stands by is empty: weigh it.
More was drawn from it than was there: weigh it.
More was drawn from what stands by than was there: weigh it.
It is {what}, and “{job}” wants {wanted}.
It is {thick} mm thick, and “{job}” wants {wanted}.
It is {lot}, and “{job}” began with lot {other}.
{one} in place of {other}.
“{job}” takes one make only, and this is not known to be it.
Its reel is about {width} mm wide, and {machine} takes {largest} mm.
Its reel is cardboard, which {machine} does not take.
{material} warps in a draught, and {machine} is not closed in by Setup.
It wears a brass nozzle down, and {machine} has no hardened one by Setup.
“{job}” needs {needs}, about {left} are left: it will not last ({chance} that it does).
“{job}” needs {needs}, about {left} are left: it may not last ({chance} that it does).
{material} was out of the dry store for about {out}, and takes {takes}.
Dry it first, as its maker's sheet says.
Dry it first: {how}.
Take {item}, {code}, from {place}.
Take {item}, {code}, from {place}: {why}.
Take {item}, {code}, of no known place.
Take {item}, {code}, of no known place: {why}.
Take {item}, {code}, of no known place.
No spool of {item} that lies there will do: {why}.
No spool of {item} lasts for {grams} g; the most is {left}.
No {item} is held. Nearest: {items}.
No {item} is held, and nothing near it.

# The count
{place}. Now scan every spool that is here.
{item}, as the books say.
{item}: by the books {what}.
{count} seen here.
{count} seen here, {missing} not yet.
Scanned already.
it was given up: weigh it
it is empty: weigh it
it is on {feed}
it is at {place}
That is {what}. On a count scan a place, and the spools that are there.
a maker's barcode
Scan the label of the place first, then the spools that are there.
That count is settled already, or was undone. Nothing was changed.
Nothing was counted yet. Scan a place, and the spools that are there.
{codes} is not missing. Open the page again.
Scan the label of a place, then every spool that is there; then the next place. Nothing is booked before it is settled.
Begun {when}: {seen} seen, {missing} not seen where the books have them.
by the books {what}
Write off {code}
What was seen is then where it was seen.
1 not seen will have no place any more, keeps its grams, and is written off only where you tick it.
{count} not seen will have no place any more, keep their grams, and are written off only where you tick it.
If you have not been everywhere, go on scanning first.
1 seen on a shelf is on a machine by the books, and will come off it.
{count} seen on a shelf are on a machine by the books, and will come off it.

# What the page says by itself
Ready to scan.
Sending {code}
1 scan waits here, and is sent once
{count} scans wait here, each sent once, in this order
scanned {time}
Spoolkeep does not answer. Scan on: everything is kept here and sent by itself. Enter tries at once.
Not sent yet, and kept here since long: {codes}.
Enter or the next scan sends them first; throw them away where they no longer hold.
This device is signed out. Kept here, and sent once it is let in again: {codes}.
Open a new link from an owner, or:
Sign in
not taken ({status}). Open the page again.
That did not get through. Press it again.
Reading the photo
The photo did not get through. Take it again.

# What is refused
Nothing was scanned. Scan a label, or type its code.
“{typed}” does not check out: a character is wrong or missing. Scan it again, or type all of it.
“{typed}” is neither one of our labels nor a maker's EAN or UPC. Scan the label with our code on it.
“{typed}” is not a maker's barcode: a digit is wrong or missing. Scan it again.
{code} is the code of {what}. Here scan a spool, a feed, a place or a card.
This device is not known as a station yet. Open the Bench once, then scan.
This device is not known as a station yet. Open the page once, then scan.
Scan the spool first, then send the scale's figure.
Scan the spool, the ticket or the feed first, then the digits, then the card.
{digits} was scanned, and nothing here reads it. Scan undo, and begin anew.
{digits} is no reading. Scan the spool again, and begin anew.
{spool} is set aside already. Let it go on its page.
That is set aside already. Nothing was changed.
That lot is set aside already. Nothing was changed.
That spool has no lot. Set the spools themselves aside.
A good job is whole. Scan undo, its ticket or feed, and the card alone.
{percent} per cent cannot be. Scan undo, the ticket or the feed again, and 0 to 100.
“{job}” has no machine by the books. Start it under Jobs first.
“{job}” is {state} by the books. Scan its ticket, and how it came off.
“{job}” is planned for {machine}. Scan a feed of that one.
“{job}” still runs on {machine} by the books. Say how it came off, then same again.
{machine} has printed nothing yet. Enter its job under Jobs.
No job runs on {machine} by the books. Scan the job's ticket, or enter it under Jobs.
No spool is on {code} by the books. Scan the spool itself.
Since that scan another was booked there. Nothing was changed; scan again what is there now.
A spool cannot take over its own reel. Scan the emptied one.
The empty weight of that reel is not known. Weigh it empty and enter its tare.
By the books plastic is left on that reel. Say first that it ran out.
The empty weight of this reel is not known. Enter its tare on the spool's page, then weigh.
A reading is 0 to 100 kg. Enter grams as the scale shows them.
The reading is lighter than the empty reel. It was booked as empty; check the tare and weigh again.
That is more than the full spool held. It was booked; check the figure, and the tare if you weighed.
That spool was scrapped, returned or written off. Choose another to stand by.
No spool is in use on {feed}. Load this one there instead.
That spool is the one in use on {feed}. Choose another to stand by.
A spool stands by on {feed} already. Scan that one to its place first.
That moment lies in the future. Check the date.
Another spool is on that feed by now. Look again.
That spool is set aside. Let it go on its page first, or take it off.
Nothing stops there any more. Nothing was changed.
Say why this spool stays on, in a few words.
Say why in at most {most} characters.
That is not set aside. Nothing was changed.
Let go: {what}. It may be used again.
Choose at least one spool.
There is nothing here to undo.
That was not done here, so it is not undone here. Look under Acts and undo.
Only an owner changes that. Nothing was undone.
There is no act {number} to undo.
No spool has the code {code}. Book it in under Deliveries, then scan again.
No feed has the code {code}. Add its machine under Setup, then scan again.
No place has the code {code}. Add it under Setup, then scan again.
No label can be read on it. Go nearer, hold still, and mind the light.
{count} labels are on it. Take one, or the two that belong together.
"""  # noqa: RUF001 - the quotation marks are those of the pages

SAYINGS = tuple(dict.fromkeys(line for line in map(str.strip, _TEXT.splitlines()) if line and not line.startswith("#")))
"""Each once, in the order in which they are listed."""
HEADINGS = {
    after: line[1:].strip()
    for line, after in zip(_TEXT.splitlines(), [*_TEXT.splitlines()[1:], ""], strict=True)
    if line.startswith("#")
}
"""What a group is called, by its first saying."""
_AFTER = _TEXT.partition("# What the page says by itself\n")[2]
BY_SCRIPT = tuple(filter(None, _AFTER.partition("\n# ")[0].splitlines()))
"""What the script says where nothing was asked of the server."""
