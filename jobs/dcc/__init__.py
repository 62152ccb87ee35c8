"""The Digital Calibration Certificate (DCC, https://ptb.de/dcc) with the D-SI for quantities and units.

An open format of the Physikalisch-Technische Bundesanstalt, schema generations 2 and 3. Read are the parts
that a certificate of ours has: number, laboratory, days of performance, items, and result tables. The
official schema is not used: what is read is checked here, part by part, and what is not read is not checked.
Signatures are not verified.

    xml        bytes to a tree, with everything shut off that an XML file could do to its reader
    document   the tree to a typed certificate in the units it is written in
    units      D-SI units, e.g. \\metre\\second\\tothe{-1}
    lines      result tables to points of an instrument
"""
