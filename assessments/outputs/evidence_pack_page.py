"""The page of an evidence pack, for Typst: parts of a few kinds, each drawn in one way."""

# What was typed reaches the page as strings of the data, never as markup, so nothing in it is a command.
PAGE = """
#let pack = json(bytes(sys.inputs.pack))
#let (ink, cloth, soft, rule) = (rgb("#13211e"), rgb("#14282f"), rgb("#3b4845"), rgb("#8a9591"))
#let fixed = "DejaVu Sans Mono"
#set document(title: pack.title, author: "Competence register", date: auto)
#set text(lang: "en", region: "gb", font: "Libertinus Serif", size: 10pt, fill: ink)
#set par(leading: 0.55em, spacing: 0.85em)
#set page(
  paper: "a4",
  margin: (x: 18mm, top: 17mm, bottom: 20mm),
  footer: context {
    set text(size: 8.5pt, fill: soft)
    pack.footer
    h(1fr)
    counter(page).display("1 of 1", both: true)
  },
)
#show heading: set block(sticky: true)
#show heading.where(level: 1): set text(size: 22pt)
#show heading.where(level: 1): set block(above: 0pt, below: 5mm)
#show heading.where(level: 2): set text(size: 15pt)
#show heading.where(level: 2): set block(above: 9mm, below: 3.5mm)
#show heading.where(level: 3): set text(size: 11.5pt)
#show heading.where(level: 3): set block(above: 6.5mm, below: 2.5mm)
#show heading.where(level: 4): set text(size: 10pt, fill: soft)
#show heading.where(level: 4): set block(above: 4.5mm, below: 2mm)
#let under(x, y) = (bottom: if y == 0 { 0.9pt + ink } else { 0.4pt + rule })
#set table(stroke: under, inset: (x: 2.5pt, y: 3.5pt))
#set table.cell(breakable: false)
#show table.cell: set par(leading: 0.45em)
#show table: set text(size: 9pt)
#show link: set text(fill: ink)

#let lines(cell, way) = {
  let said = cell.join(linebreak())
  if way == "fixed" { text(font: fixed, size: 6.8pt, said) } else { said }
}

// A short list of facts is not torn over two pages.
#let drawn-table(part) = block(width: 100%, breakable: not part.is-whole, table(
  columns: part.widths.map(width => width * 1fr),
  align: left,
  table.header(..part.heads.map(head => text(weight: "bold", head))),
  ..part.rows.map(row => row.enumerate().map(((place, cell)) => lines(cell, part.ways.at(place)))).flatten(),
))

#let boxed(part) = block(
  stroke: 1.2pt + ink, inset: 9pt, width: 100%, breakable: false, above: 4mm, below: 4mm,
  {
    if part.word != "" { block(below: 2.5mm, text(size: 15pt, weight: "bold", part.word)) }
    for said in part.lines { par(said) }
  },
)

#let drawn-pictures(part) = grid(
  columns: (1fr, 1fr, 1fr),
  gutter: 4mm,
  ..part.pictures.map(picture => block(breakable: false, {
    image(bytes(picture.octets), width: 46mm, alt: picture.alt)
    v(-1.5mm)
    text(size: 8.5pt, picture.caption)
  })),
)

// A heading takes the start of what it heads with it to the next page: so much must be left.
#let room-for(height) = { block(above: 0pt, below: 0pt, breakable: false, height: height) ; v(-height) }

#let drawn(part) = {
  if part.kind == "heading" {
    if part.level > 2 { room-for(34mm) } else { room-for(50mm) }
    heading(level: part.level, outlined: part.level < 4, part.text)
  }
  else if part.kind == "par" { par(part.text) }
  else if part.kind == "small" { par(text(size: 8.5pt, fill: soft, part.text)) }
  else if part.kind == "list" { list(spacing: 0.65em, ..part.items) }
  else if part.kind == "table" { drawn-table(part) }
  else if part.kind == "box" { boxed(part) }
  else if part.kind == "pictures" { drawn-pictures(part) }
  else if part.kind == "code" { raw(part.text, block: true) }
}

#pdf.attach(
  pack.bundle.name,
  bytes(pack.bundle.octets),
  relationship: "supplement",
  mime-type: "application/zip",
  description: pack.bundle.says,
)

#heading(level: 1, outlined: false, pack.title)
#for part in pack.front { drawn(part) }

#pagebreak()
#heading(level: 2, outlined: false)[Contents]
#show outline.entry.where(level: 2): set block(above: 3.2mm)
#show outline.entry.where(level: 2): set text(weight: "bold")
#outline(title: none, depth: 3, indent: level => if level > 1 { 5mm } else { 0mm })
#pagebreak()

#for part in pack.parts { drawn(part) }
"""
# Without entries that can be proven there is no bundle to attach.
ATTACHING = PAGE[PAGE.index("#pdf.attach(") : PAGE.index("#heading(level: 1, outlined: false, pack.title)")]
WITHOUT_BUNDLE = PAGE.replace(ATTACHING, "")
