"""The pit page: one small page for a phone or tablet, that shows what the watching process knows now.

    room    which session is looked at, and what of it goes to the page (from the mirror)
    deeds   what a page may do with the token: acts for the watching process, lines for the logbook
    server  the page over HTTP: loopback unless asked, and only shows unless the token is given
    page/   the page itself: it needs no internet and no build

A process of its own: it follows the recording and cannot disturb what watches.
"""
