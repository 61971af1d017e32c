"""What all that is looked at shares: colours, levels as colour, times as text, text plots."""
