"""Power and position for every stretch of a bicycle race, from a GPX file of the course."""
