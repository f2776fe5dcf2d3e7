"""Who is told: controllers, robots and listeners, each by the protocol that it speaks."""
