# Statistics of exported shots by R's own functions, for test_r_agrees.py: one number a line.
shots <- read.csv(commandArgs(TRUE)[1], stringsAsFactors = FALSE)
shots <- shots[tolower(shots$counted) == "true", ]
say <- function(name, value) cat(sprintf("%s %.17g\n", name, value))
groups <- split(shots$speed_mps, factor(shots$setup, levels = unique(shots$setup)))
for (i in seq_along(groups)) {
  x <- groups[[i]]
  n <- length(x)
  say(sprintf("mean%d", i), mean(x))
  say(sprintf("s%d", i), sd(x))
  say(sprintf("median%d", i), median(x))
  say(sprintf("s_low%d", i), sd(x) * sqrt((n - 1) / qchisq(0.975, n - 1)))
  say(sprintf("s_high%d", i), sd(x) * sqrt((n - 1) / qchisq(0.025, n - 1)))
  z <- pnorm(sort(x), mean(x), sd(x))
  a <- -n - mean((2 * seq_len(n) - 1) * (log(z) + log(1 - rev(z))))
  say(sprintf("anderson%d", i), a)
}
if (length(groups) == 2) {
  welch <- t.test(groups[[2]], groups[[1]])
  say("difference", unname(welch$estimate[1] - welch$estimate[2]))
  say("t", unname(welch$statistic))
  say("dof", unname(welch$parameter))
  say("p", welch$p.value)
  ratio <- var.test(groups[[2]], groups[[1]])
  say("ratio_low", sqrt(ratio$conf.int[1]))
  say("ratio_high", sqrt(ratio$conf.int[2]))
  analysis <- anova(lm(speed_mps ~ setup, shots))
  say("F", analysis[["F value"]][1])
}
