"""The commands of ``fleetlog``: each asks one question and shows what the analysis says."""
