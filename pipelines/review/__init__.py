"""The review page: a person sees what the program saw in one doll's photos, and sets it right.

A small server on this machine (:mod:`pipelines.review.server`) shows one desk a doll
(:mod:`pipelines.review.desk`). What a person says is written into the files that the command line reads
(:mod:`pipelines.review.paper`); photos are read in processes of their own (:mod:`pipelines.review.crew`,
:mod:`pipelines.review.reader`), so that none of them can take the page down.
"""
