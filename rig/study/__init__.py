"""Over many units: capability, learnt masks, limits too narrow."""
