"""What the interactive panels show: settings in, a frozen result with its sentence and its call out."""
