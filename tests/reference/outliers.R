# Rosner's deviates and limits of the values in a file, by R alone.
x <- scan(commandArgs(TRUE)[1], quiet = TRUE)
n <- length(x)
say <- function(name, value) cat(sprintf("%s %.17g\n", name, value))
for (i in 1:10) {
  p <- 1 - 0.05 / (2 * (n - i + 1))
  t <- qt(p, n - i - 1)
  say(sprintf("critical%d", i), t * (n - i) / sqrt((n - i - 1 + t^2) * (n - i + 1)))
  far <- which.max(abs(x - mean(x)))
  say(sprintf("deviate%d", i), abs(x[far] - mean(x)) / sd(x))
  x <- x[-far]
}
