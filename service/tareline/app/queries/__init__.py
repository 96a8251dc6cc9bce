"""What pages and API show.

Here belongs each question that is asked of the store, with its answer in full: values with units and deviations, and
the reason where there is no answer. A query writes nothing. Words for people and geometry stand in `web`.
"""
