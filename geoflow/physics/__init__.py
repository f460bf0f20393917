"""Physics of liquid ammonia on its way from tank to knife: SI arrays in, SI arrays out.

Nothing in here knows a bar, a file or a table of zones. Pressures are absolute throughout.
"""

__all__: list[str] = []
