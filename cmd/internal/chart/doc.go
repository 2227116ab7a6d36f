// Package chart draws on canvases that become SVG: the page's charge and temperatures, the
// plan's months and sizes, the report's days. In come numbers and class names, which the
// style sheet of the page colours; out goes markup that needs no script. It decides nothing.
package chart
