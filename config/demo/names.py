"""Invented names: given and family names from many places, paired by chance, so that each pair comes once."""

import numpy as np

GIVEN = (
    "Aino", "Alma", "Amrita", "Anders", "Anouk", "Ashwin", "Bashir", "Beatriz", "Benedict", "Bronwyn", "Callum",
    "Carys", "Chidi", "Chiara", "Dalia", "Darragh", "Davina", "Dimitra", "Edda", "Eilidh", "Emeka", "Esme", "Farida",
    "Fenella", "Finlay", "Gethin", "Giulia", "Greta", "Hana", "Harriet", "Hemi", "Henrike", "Ibrahim", "Ilse",
    "Imogen", "Ines", "Ivo", "Jarrah", "Jasper", "Jomana", "Kaveh", "Keira", "Kofi", "Lachlan", "Leilani", "Linnea",
    "Lorcan", "Lucinda", "Maeve", "Malia", "Marit", "Mateo", "Mei", "Milan", "Mirjam", "Nadia", "Naveen", "Niamh",
    "Nikau", "Noor", "Odette", "Ola", "Oriel", "Oscar", "Paloma", "Petra", "Piers", "Priya", "Quinlan", "Ramona",
    "Rangi", "Reuben", "Rosalie", "Rowan", "Ruta", "Saskia", "Selim", "Shanthi", "Sigrid", "Solveig", "Stellan",
    "Tamsin", "Tarek", "Tevita", "Thandi", "Tomasz", "Ulla", "Uma", "Valeria", "Vikram", "Wendel", "Wren", "Xanthe",
    "Yara", "Yusuf", "Zane", "Zdenka", "Zuri"
)  # fmt: skip
FAMILY = (
    "Abernathy-Lowe", "Adeyinka", "Alderwick", "Anantharam", "Arkwell", "Asante-Reed", "Balogh", "Barrowclough",
    "Beaumaris", "Bhandari-Cole", "Birchmore", "Bogdanov", "Brackenridge", "Brightwater", "Calloway", "Castellane",
    "Chatterley", "Cobbold", "Coldstream", "Corrigan-Shah", "Dacosta", "Dalgarno", "Delacroix-Hunt", "Dewhurst",
    "Drummore", "Dunleavy", "Eastaway", "Ekberg", "Elphick", "Falconbridge", "Farquharson", "Fenwright",
    "Fotheringay", "Gallowglass", "Garroway", "Gisborne", "Glendower", "Gorringe", "Greaves-Okoro", "Hallorane",
    "Haldane-Wu", "Harkaway", "Hawksmoor", "Hollingbery", "Huxtable", "Ilyin", "Inglebright", "Jarrett-Singh",
    "Jernigan", "Kaleo", "Karunaratne", "Kestrelle", "Kinsella-Roy", "Kowalczuk", "Lamberhurst", "Langstrom",
    "Larkspur", "Leatherby", "Lindenau", "Lockyear", "Macarthy-Osei", "Maddigan", "Mandelson-Ito", "Marchbanks",
    "Melville-Tau", "Merriwether", "Mulcahy-Dee", "Nakahara", "Netherby", "Nordskov", "Oakhampton", "Okonjo-Bell",
    "Orrell", "Osterhaus", "Pallister", "Papadimos", "Penhallow", "Pettigrew-Lal", "Quarrington", "Rademaker",
    "Ravensdale", "Redfern-Osman", "Rosewarne", "Sandringham-Po", "Sarkany", "Scattergood", "Selwyn-Diaz",
    "Shackleford-Ng", "Silverlock", "Skerrett", "Stavros-Lind", "Summerhayes", "Tarrantino", "Teasdale",
    "Thistlewood", "Tolliver", "Trevanion", "Umarova", "Vandermolen", "Venkatesan", "Waddingham", "Wetherall",
    "Winterbourne", "Wolstencroft", "Yarborough", "Zabrowska", "Zeleny"
)  # fmt: skip


def invented(rng: np.random.Generator) -> list[str]:
    """Names in an order of chance; no family name comes twice before all have come once."""
    given, family = rng.permutation(GIVEN), rng.permutation(FAMILY)
    rounds = [(place, name) for place in range(2) for name in family]
    return [f"{given[(place + 31 * turn) % len(given)]} {name}" for place, (turn, name) in enumerate(rounds)]


def email(name: str, domain: str) -> str:
    return f"{name.lower().replace(' ', '.')}@{domain}"
