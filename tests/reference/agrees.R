# Statistics of shots by R's own functions, for test_r_agrees.py: one number a line.
# Columns: setup, number of the shot, speed.
shots <- read.csv(commandArgs(TRUE)[1], stringsAsFactors = FALSE)
say <- function(name, value) cat(sprintf("%s %.17g\n", name, value))
shots$setup <- factor(shots$setup, levels = unique(shots$setup))
groups <- split(shots$speed_mps, shots$setup)
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
if (length(groups) < 2) quit()
suppressPackageStartupMessages({
  library(sandwich)
  library(clubSandwich)
})

pairs <- combn(length(groups), 2)
columns <- seq_len(ncol(pairs))
label <- function(name, k) sprintf("%s%d%d", name, pairs[1, k], pairs[2, k])

welch <- lapply(columns, function(k) t.test(groups[[pairs[2, k]]], groups[[pairs[1, k]]]))
raw <- sapply(welch, function(test) test$p.value)
for (k in columns) {
  say(label("plain", k), unname(diff(rev(welch[[k]]$estimate))))
  say(label("plain_dof", k), unname(welch[[k]]$parameter))
  say(label("plain_p", k), raw[k])
  say(label("plain_holm", k), p.adjust(raw, "holm")[k])
}

# Setups and one drift: HC2 by sandwich; degrees of freedom by whole matrices.
model <- lm(speed_mps ~ 0 + setup + number, shots)
design <- model.matrix(model)
errors <- vcovHC(model, type = "HC2")
rest <- diag(nrow(design)) - design %*% solve(crossprod(design)) %*% t(design)
freedom <- diag(rest)
spread <- ave(resid(model)^2 / freedom, shots$setup)
freedom_of <- function(contrast, variances) {
  factors <- drop(design %*% solve(crossprod(design)) %*% contrast)
  form <- rest %*% diag(factors^2 / freedom) %*% rest %*% diag(variances)
  sum(diag(form))^2 / sum(diag(form %*% form))
}
# With equal spreads these are Bell and McCaffrey's, which clubSandwich has.
one <- rep(1, nrow(shots))
robust <- vcovCR(model, cluster = seq_len(nrow(shots)), type = "CR2")
theirs <- coef_test(model, vcov = robust, test = "Satterthwaite")
slope <- c(rep(0, length(groups)), 1)
stopifnot(abs(freedom_of(slope, one) / theirs$df[length(slope)] - 1) < 1e-8)
stopifnot(abs(sqrt(errors["number", "number"]) / theirs$SE[length(slope)] - 1) < 1e-8)

fitted <- sapply(columns, function(k) {
  contrast <- rep(0, ncol(design))
  contrast[pairs[, k]] <- c(-1, 1)
  u <- sqrt(drop(t(contrast) %*% errors %*% contrast))
  dof <- freedom_of(contrast, spread)
  difference <- sum(contrast * coef(model))
  c(difference, u, dof, 2 * pt(-abs(difference / u), dof))
})
for (k in columns) {
  say(label("drift", k), fitted[1, k])
  say(label("drift_u", k), fitted[2, k])
  say(label("drift_dof", k), fitted[3, k])
  say(label("drift_p", k), fitted[4, k])
  say(label("drift_holm", k), p.adjust(fitted[4, ], "holm")[k])
}

# Bonett's interval of the ratio of two s by its formula, the kurtosis from all setups.
if (min(lengths(groups)) < 5) quit()
trimmed <- function(x) mean(x, trim = 1 / (2 * sqrt(length(x) - 4)))
fourths <- sum(sapply(groups, function(x) sum((x - trimmed(x))^4)))
squares <- sum(sapply(groups, function(x) (length(x) - 1) * var(x)))
kurtosis <- nrow(shots) * fourths / squares^2
z <- qnorm(1 - 0.05 / ncol(pairs) / 2)
for (k in columns) {
  a <- groups[[pairs[1, k]]]
  b <- groups[[pairs[2, k]]]
  part <- function(x) (kurtosis - (length(x) - 3) / length(x)) / (length(x) - 1)
  error <- sqrt(part(a) + part(b))
  ratio <- (length(b) / (length(b) - z)) / (length(a) / (length(a) - z)) * var(b) / var(a)
  say(label("ratio_low", k), sqrt(exp(log(ratio) - z * error)))
  say(label("ratio_high", k), sqrt(exp(log(ratio) + z * error)))
}
