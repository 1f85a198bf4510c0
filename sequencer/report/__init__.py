"""What was found, told: the page, its pictures, the words on a terminal; never decides."""
