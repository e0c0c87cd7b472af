"""The formulas of the methods appendix; LaTeX of the kit's own, set as MathML on pages."""

from __future__ import annotations

from kit.publish.methods_text.blocks import Formula

MODEL = Formula(
    r"y_i = x_i^{\top}\beta + u_{\mathrm{bag}(i)} + v_{\mathrm{day}(i)} + e_i,\quad "
    r"u \sim N(0,\sigma^2_{\mathrm{bag}}),\; v \sim N(0,\sigma^2_{\mathrm{day}}),\; "
    r"e \sim N(0,\sigma^2_{\mathrm{burn}})",
    "The model of one measure y of burn i on its analysis scale; β holds one mean a fuel and centred "
    "covariates, and a "
    "day or bag term stays only where the design can tell it apart",
)
CRITERION = Formula(
    r"\nu \log\!\Big(s_0 + \sum_j \frac{t_j^2}{1+\lambda d_j}\Big) + \sum_j \log(1+\lambda d_j),\quad "
    r"\lambda = \sigma^2_{\mathrm{bag}}/\sigma^2_{\mathrm{burn}}",
    "Variances are those that minimise the restricted deviance (REML), bounded at zero; for bags alone, "
    "with d and t from "
    "the bag matrix turned to its own axes",
)
TEST = Formula(
    r"t = \frac{c^{\top}\hat\beta}{\sqrt{c^{\top}\hat\Phi_A\,c}}",
    "A contrast c of the means, with the covariance adjusted after Kenward and Roger where that method is used",
)
NEXT = Formula(
    r"\hat\mu_f \pm t_{\nu}\sqrt{\mathrm{SE}^2 + \sigma^2_{\mathrm{bag}} + \sigma^2_{\mathrm{burn}}}",
    "One burn of a new bag, with Satterthwaite's degrees of freedom for that sum; another day adds its variance",
)
RATIO = Formula(
    r"r = \exp(\hat\mu_a - \hat\mu_b)",
    "On the logarithmic scale a difference of means comes back as a ratio of geometric means",
)
REPEAT = Formula(
    r"r = 2.8\, s_r",
    "The repeatability limit of ISO 5725-6",
)
PEAK = Formula(
    r"T_{\mathrm{peak}} = \max_t \; \mathrm{mean}_{w_2} \left( \mathrm{median}_{w_1} T \right) (t)",
    "The peak, from a running median over w1 followed by a running mean over w2, as stated above",
)

FITTED = (MODEL, CRITERION, TEST, RATIO, NEXT, REPEAT)
