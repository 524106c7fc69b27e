"""The logbook: sites, settings, trials and what was caught, kept; compared honestly; and what to try next.

``store`` touches the database, ``place`` knows where it is, ``schema`` and ``migrations`` how it is laid out. All
others are arithmetic on the records of ``records``. Nothing here knows hydraulics: figures come in ready-made.
"""
