"""The memory of machines: visits, clips, judgements and what was found, in one SQLite file.

Import from the modules, so that the command line loads only what it uses:
``store.open_logbook``; ``machines`` (add, edit, parts, throughput); ``entries.log_analysis``
(a judged clip into the book); ``clips`` (read); ``confirmations``; ``limits`` (own limits);
``baseline``; ``life``; ``exchange`` (export, import); ``checking``.
"""
