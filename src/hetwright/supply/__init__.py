"""The supply: mains, winding, rectifier and reservoir as one smooth port."""
