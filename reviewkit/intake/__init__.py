"""The workshop behind :mod:`reviewkit.part`: files read, units settled, meshes mended and examined.

Everything here runs in a child process, because damaged files can exhaust time and memory.
``raw`` is what readers give; ``stl``, ``obj``, ``off``, ``ply``, ``package`` (3MF), ``amf``,
``gltf`` and ``step`` read one format each, ``files`` any of them; ``markup`` reads XML safely;
``units`` settles the unit; ``edges`` knows which facets meet; ``mending`` mends what is safe;
``curves`` finds the curves that facets stand for; ``health`` says how the mesh stands; ``child``
is the process.
"""
