"""Papers: what a person takes away, to print, to keep or to check elsewhere. Each one made is an act.

evidence     one person's full file as data      verifier      checks that file without the register (stand-alone)
entries      a logbook's lines                   printing      data -> tagged PDF
certificates given out, revoked, looked up       making        which paper, in which form, recorded
decided      recognitions, referrals, signatures looked at again: their parts of the evidence file
"""
